"""The bar that is turned up to a mark, as strings and on the screen."""

from __future__ import annotations

import pytest
from tui_pilot import begin, make_app, run_with, screen_text
from tui_scenes import VOID, FakeLevers, Script, reading, view

from levelset.procedures.protocol import Act, Guidance, Listen, Offer
from levelset.tui.renderables.input_mark import mark_lines, mark_scale
from levelset.tui.renderables.which import shown_reading

CLEAN, NOTHING = reading(3.0, calibrated=False), reading(None, void=VOID)
LEVEL = shown_reading(CLEAN).tone.level_dbfs.value


def guidance(mark_dbfs, direction):
    return Guidance(
        "Turn the sound card's input up, to the mark.",
        Act("turn_input", direction=direction),
        headline="UNDER THE MARK" if direction == "up" else "OVER THE MARK",
        direction=direction,
        to_go_db=mark_dbfs - LEVEL,
        target_note="full scale for 31 V peak, the rating of bass",
        mark_dbfs=mark_dbfs,
    )


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("off_db", [-30.0, -6.0, -0.01, 0.01, 3.0, 20.0])
def test_short_of_the_mark_never_looks_like_reached(width, off_db):
    [line] = mark_lines(CLEAN, LEVEL - off_db, width, 1)
    assert len(line) == width
    before, after = line.split("┃")
    assert ("█" in after) == (off_db > 0.0)
    if off_db > -18.0:
        assert before.count("▇") == pytest.approx((18.0 + min(off_db, 0.0)) / 24.0 * width, abs=3)
    scale = mark_scale(LEVEL - off_db, width)
    assert scale.index("▼") == line.index("┃")
    assert len(scale) == width


def test_without_a_reading_the_bar_is_empty():
    assert set(mark_lines(NOTHING, -20.0, 40, 2)[1]) == set("├▁┃┤")
    assert mark_lines(None, -20.0, 40, 3)[0] == mark_lines(NOTHING, -20.0, 40, 1)[0]


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 20)])
def test_the_screen_says_which_way_and_how_far(size):
    shown = view(
        Listen(CLEAN.spec, guidance(LEVEL + 7.0, "up"), (Offer("at_end", "it does not turn"),)),
        CLEAN,
    )
    app, _ = make_app(Script([shown]), levers=FakeLevers())

    async def scenario(pilot):
        await begin(pilot, shown)
        text = screen_text(app)
        assert "UNDER THE MARK" in text
        assert "7.0 dB to go" in text
        assert f"MARK {LEVEL + 7.0:.1f} ▼" in text
        # Three rows or more can be seen from the boot.
        assert sum("┃" in line for line in text.splitlines()) >= (3 if size[1] >= 24 else 1), text

    run_with(app, scenario, size)
