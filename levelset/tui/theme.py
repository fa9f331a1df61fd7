"""Two themes: one safe for colour-blind eyes, one of highest contrast.

The first takes its colours from the palette of Okabe and Ito, "Color Universal Design" (2008):
orange E69F00, sky blue 56B4E9, yellow F0E442, blue 0072B2, vermilion D55E00, purple CC79A7.
No state is told by colour alone.
"""

from __future__ import annotations

from textual.theme import Theme

_BANDS = ("clean", "soft", "flat", "distorted", "void", "waiting")


def _variables(**pairs: tuple[str, str]) -> dict[str, str]:
    """Return background and text colour of each band as theme variables."""
    variables = {}
    for name in _BANDS:
        back, text = pairs[name]
        variables[f"{name}-back"], variables[f"{name}-text"] = back, text
    back, text = pairs["caution"]
    return {**variables, "caution-back": back, "caution-text": text}


STEADY = Theme(
    name="levelset",
    primary="#56B4E9",
    secondary="#0072B2",
    warning="#F0E442",
    error="#D55E00",
    success="#56B4E9",
    accent="#E69F00",
    foreground="#F2F2F2",
    background="#101418",
    surface="#101418",
    panel="#1C232B",
    dark=True,
    variables=_variables(
        clean=("#0072B2", "#FFFFFF"),
        soft=("#F0E442", "#000000"),
        flat=("#D55E00", "#000000"),
        distorted=("#CC79A7", "#000000"),
        void=("#5A6672", "#FFFFFF"),
        waiting=("#1C232B", "#F2F2F2"),
        caution=("#E69F00", "#000000"),
    ),
)

CONTRAST = Theme(
    name="levelset-contrast",
    primary="#FFFFFF",
    secondary="#FFFFFF",
    warning="#FFFF00",
    error="#FFFF00",
    success="#FFFFFF",
    accent="#FFFF00",
    foreground="#FFFFFF",
    background="#000000",
    surface="#000000",
    panel="#000000",
    dark=True,
    text_alpha=1.0,
    variables=_variables(
        clean=("#FFFFFF", "#000000"),
        soft=("#FFFF00", "#000000"),
        flat=("#FFFF00", "#000000"),
        distorted=("#FFFF00", "#000000"),
        void=("#000000", "#FFFFFF"),
        waiting=("#000000", "#FFFFFF"),
        caution=("#FFFF00", "#000000"),
    ),
)

THEMES = (STEADY, CONTRAST)
