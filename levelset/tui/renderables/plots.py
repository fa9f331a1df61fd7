"""Small pictures from dots: braille cells of 2 x 4 dots, or ASCII of 1 x 2.

Braille dot numbering: Unicode Standard, block Braille Patterns (U+2800).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from levelset.analysis.result import Picture
    from levelset.tui.renderables.charset import Charset

_BRAILLE_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
_ASCII_CELLS = np.array([" ", "'", ".", ":"])


class Raster:
    """A field of dots over the square from (-1, -1) to (1, 1).

    Parameters
    ----------
    width, height : int
        Size in characters.
    charset : {"braille", "ascii"}
        What a character can show.
    """

    def __init__(self, width: int, height: int, charset: Charset) -> None:
        self._charset = charset
        across, down = (2, 4) if charset == "braille" else (1, 2)
        self.columns, self.rows = max(width, 1) * across, max(height, 1) * down
        self._dots = np.zeros((self.rows, self.columns), dtype=bool)

    def line(self, x: NDArray[np.float64], y: NDArray[np.float64], *, dotted: bool = False) -> None:
        """Draw a curve given by points from left to right.

        Parameters
        ----------
        x, y : ndarray, shape (n,)
            Points in -1 to 1, x rising; what lies outside is left out.
        dotted : bool
            Every third column only.
        """
        if len(x) < 2:
            return
        at = np.linspace(-1.0, 1.0, self.columns)
        heights = np.interp(at, x, y, left=np.nan, right=np.nan)
        last: int | None = None
        for column, height in enumerate(heights):
            row = self._row(float(height))
            if row is None:
                last = None
                continue
            if not dotted:
                # Steep parts are joined, half of the jump in each of the two columns.
                if last is not None and abs(row - last) > 1:
                    middle = (row + last) // 2
                    self._column(column - 1, last, middle)
                    self._column(column, middle, row)
                self._dots[row, column] = True
            elif column % 3 == 0:
                self._dots[row, column] = True
            last = row

    def dot(self, x: float, y: float) -> None:
        """Set one dot."""
        row = self._row(y)
        if row is not None and -1.0 <= x <= 1.0:
            self._dots[row, round((x + 1.0) / 2.0 * (self.columns - 1))] = True

    def text(self) -> list[str]:
        """Return the lines."""
        if self._charset == "braille":
            cells = self._dots.reshape(self.rows // 4, 4, self.columns // 2, 2)
            codes = 0x2800 + np.einsum("rdca,da->rc", cells, _BRAILLE_BITS)
            return ["".join(map(chr, line)) for line in codes]
        pairs = self._dots.reshape(self.rows // 2, 2, self.columns)
        return [
            "".join(_ASCII_CELLS[top + 2 * low] for top, low in zip(*pair, strict=True))
            for pair in pairs.astype(int)
        ]

    def _row(self, y: float) -> int | None:
        if not abs(y) <= 1.0:
            return None
        return round((1.0 - y) / 2.0 * (self.rows - 1))

    def _column(self, column: int, one: int, other: int) -> None:
        low, high = sorted((one, other))
        self._dots[low : high + 1, column] = True


def period_picture(picture: Picture, width: int, height: int, charset: Charset) -> list[str]:
    """Draw one period (solid) against the fitted sine (dotted).

    Parameters
    ----------
    picture : Picture
        The curves, full scale.
    width, height : int
        Size in characters.
    charset : {"braille", "ascii"}
        Character set.

    Returns
    -------
    list of str
        ``height`` lines of ``width`` characters.
    """
    raster = Raster(width, height, charset)
    top = _top(picture.period_measured, picture.period_sine)
    at = np.linspace(-1.0, 1.0, len(picture.period_sine))
    raster.line(at, picture.period_sine / top, dotted=True)
    raster.line(np.linspace(-1.0, 1.0, len(picture.period_measured)), picture.period_measured / top)
    return raster.text()


def transfer_picture(picture: Picture, width: int, height: int, charset: Charset) -> list[str]:
    """Draw output against input (solid) and a straight line (dotted); sizes as above."""
    raster = Raster(width, height, charset)
    top = _top(picture.transfer_in, picture.transfer_out)
    straight = np.array([-1.0, 1.0])
    raster.line(straight, straight * float(np.max(np.abs(picture.transfer_in))) / top, dotted=True)
    reach = float(np.max(np.abs(picture.transfer_in))) or 1.0
    raster.line(picture.transfer_in / reach, picture.transfer_out / top)
    return raster.text()


def _top(*curves: NDArray[np.float64]) -> float:
    return max((float(np.max(np.abs(curve))) for curve in curves if len(curve)), default=0.0) or 1.0
