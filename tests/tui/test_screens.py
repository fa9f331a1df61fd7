"""The screens: first what they pass on and what state they are in, then what they look like."""

import string

import pytest
from tui_pilot import begin, check_golden, make_app, run_with, screen_text, until, unused
from tui_scenes import (
    CAUTION,
    CLEAN,
    CLOSE,
    CURVE,
    DONE,
    ENTRIES,
    FLAT,
    METER,
    NOTHING,
    OWN_TONE,
    PLACE,
    PLAN,
    SEARCH,
    STEPS,
    TRACK,
    VIEWS,
    YES_NO,
    FakeLevers,
    FakeSession,
    Script,
    view,
)

from levelset.errors import DeviceError, InputError
from levelset.ports.base import Point
from levelset.procedures.protocol import Act, Answer, Ask, Guidance, Listen
from levelset.tui.app import LevelsetApp
from levelset.tui.renderables.band import band_of
from levelset.tui.screens.jobs import JobsScreen
from levelset.tui.screens.probe import ProbeScreen
from levelset.tui.screens.procedure import ProcedureScreen
from levelset.tui.screens.steps import StepsScreen
from levelset.tui.screens.texts import HelpScreen, JobScreen, PlanScreen, ResultScreen
from levelset.tui.theme import THEMES


def test_whole_way_from_the_list_to_the_result():
    script = Script([CAUTION, PLACE, METER, YES_NO, CLEAN, DONE], hold_last=False)
    app, session = make_app(script)

    async def scenario(pilot):
        assert isinstance(app.screen, JobsScreen)
        check_golden(app, "jobs_80x24")
        await pilot.press("d")
        assert isinstance(app.screen, PlanScreen)
        check_golden(app, "plan_80x24")
        assert script.answers == []
        screen = await begin_from_plan(pilot, CAUTION)
        assert screen.has_class("caution")
        check_golden(app, "caution_real")
        await pilot.press("enter")
        await until(pilot, lambda: screen._view is PLACE, "tips")
        assert script.answers == ["yes"]
        check_golden(app, "place_real")
        await pilot.press("enter")
        await until(pilot, lambda: screen._view is METER, "meter")
        await pilot.press(*"1200", "enter")
        assert "1200 V is too high: type a number from 0.001 to 120 V." in screen_text(app)
        check_golden(app, "number_refused")
        await pilot.press("backspace", "backspace", "comma", "5", "enter")
        await until(pilot, lambda: screen._view is YES_NO, "yes or no")
        await pilot.press("enter", "x", "n")
        await until(pilot, lambda: isinstance(app.screen, ResultScreen), "the result")
        assert script.answers == ["yes", "done", 12.5, "no"]
        assert session.closed == 0
        check_golden(app, "result_80x24")
        await pilot.press("enter")
        assert isinstance(app.screen, StepsScreen)
        check_golden(app, "steps_80x24")
        await pilot.press("escape")
        assert isinstance(app.screen, JobsScreen)
        assert session.closed == 1

    run_with(app, scenario)
    assert session.closed == 1


def test_one_step_again_from_the_steps():
    script = Script([CLEAN], hold_last=False)
    app, session = make_app(script)

    async def scenario(pilot):
        await pilot.press("d", "s")
        assert isinstance(app.screen, StepsScreen)
        await pilot.press("down", "down", "down", "down", "enter")
        await until(pilot, lambda: isinstance(app.screen, ResultScreen), "the result")
        assert session.asked == [("gain", "bass")]

    run_with(app, scenario)


def test_a_job_that_was_begun_opens_on_its_steps():
    app, session = make_app()

    async def scenario(pilot):
        app.open(session)
        await pilot.pause()
        assert isinstance(app.screen, PlanScreen)
        app.close_session()
        session.entries = ENTRIES
        app.open(session)
        await pilot.pause()
        assert isinstance(app.screen, StepsScreen)
        text = screen_text(app)
        assert "GO ON         from: bass: set the gain" in text
        assert "DO AGAIN      bass: set the gain (since then: find the clean volume)" in text

    session.entries = ()
    run_with(app, scenario)


async def begin_from_plan(pilot, first):
    await pilot.press("enter")
    await until(pilot, lambda: isinstance(pilot.app.screen, ProcedureScreen), "procedure")
    screen = pilot.app.screen
    screen.read_time_s = 0.0
    await until(pilot, lambda: screen._view is first, "the first view")
    await pilot.pause()
    return screen


@pytest.mark.parametrize(
    ("name", "size", "charset"),
    [
        *((name, (80, 24), "braille") for name in VIEWS),
        ("clean", (120, 40), "braille"),
        ("flat", (120, 40), "braille"),
        ("search", (120, 40), "braille"),
        ("void", (120, 40), "braille"),
        ("clean", (60, 20), "braille"),
        ("flat", (80, 24), "ascii"),
        ("search", (80, 24), "ascii"),
    ],
)
def test_each_view(name, size, charset):
    app, _ = make_app(Script([VIEWS[name]]), levers=FakeLevers(), charset=charset)

    async def scenario(pilot):
        screen = await begin(pilot, VIEWS[name])
        if isinstance(VIEWS[name].instruction, Listen):
            assert screen.has_class("listen")
            assert screen.query_one("#band").has_class(band_of(VIEWS[name].reading).state)
        tag = f"{name}_{size[0]}x{size[1]}{'_ascii' if charset == 'ascii' else ''}"
        text = screen_text(app)
        if charset == "ascii":
            assert text.isascii()
        assert max(len(line) for line in text.splitlines()) <= size[0]
        check_golden(app, tag)

    run_with(app, scenario, size)


def test_the_screen_says_whose_tone_it_is():
    for shown, words in (
        (CLEAN, "tone from the vehicle: turn it down there"),
        (OWN_TONE, "levelset plays set-bass at -20 dBFS"),
        (PLACE, "no tone"),
    ):
        app, _ = make_app(Script([shown]))

        async def scenario(pilot, shown=shown, words=words, app=app):
            await begin(pilot, shown)
            assert words in screen_text(app).splitlines()[0]

        run_with(app, scenario)


ENLARGE = "This terminal is too small: make it 60 by 20 or larger."


def test_too_small_asks_for_room_and_nothing_else():
    for size in ((59, 24), (80, 19), (20, 5)):
        app, _ = make_app(Script([CLEAN]))

        async def scenario(pilot, app=app):
            await begin(pilot, CLEAN)
            assert " ".join(screen_text(app).split()) == ENLARGE

        run_with(app, scenario, size)


SCREENS = ["jobs", "job", "plan", "caution", "place", "meter", "yes_no", "clean", "help", "small"]


@pytest.mark.parametrize("where", SCREENS)
def test_esc_silences_on_every_screen_before_anything_else(where):
    script = Script([VIEWS.get(where, CLEAN)])
    app, session = make_app(script)

    async def scenario(pilot):
        if where == "jobs":
            await pilot.press("d", "escape")
            assert isinstance(app.screen, JobsScreen)
            assert session.closed == 1
        elif where == "job":
            await pilot.press("enter")
            assert isinstance(app.screen, JobScreen)
            await pilot.press("escape")
            assert isinstance(app.screen, JobsScreen)
            return
        elif where == "plan":
            await pilot.press("d", "escape")
        else:
            await begin(pilot, VIEWS.get(where, CLEAN))
            if where == "help":
                await pilot.press("question_mark")
                assert isinstance(app.screen, HelpScreen)
            if where == "meter":
                await pilot.press("1", "2")
            assert not app.person.wants_to_stop()
            await pilot.press("escape")
            await until(pilot, lambda: isinstance(app.screen, ResultScreen), "the result")
            assert script.stopped
        assert app.person is None or app.person.wants_to_stop()

    run_with(app, scenario, (50, 15) if where == "small" else (80, 24))


def test_esc_says_that_the_vehicles_tone_goes_on():
    script = Script([CLEAN])
    app, _ = make_app(script)

    async def scenario(pilot):
        await begin(pilot, CLEAN)
        app.screen.leave()
        await pilot.pause()
        assert "levelset cannot stop the vehicle's tone: turn it down there." in screen_text(app)
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, ResultScreen), "the result")
        assert "may still be on: turn it down there" in screen_text(app)

    run_with(app, scenario)


def test_quitting_silences_and_releases():
    script = Script([OWN_TONE])
    app, session = make_app(script)

    async def scenario(pilot):
        await begin(pilot, OWN_TONE)
        await pilot.press("ctrl+q")

    run_with(app, scenario)
    assert app.person.wants_to_stop()
    assert session.closed == 1


def test_quitting_on_the_plan_releases_too():
    app, session = make_app()

    async def scenario(pilot):
        await pilot.press("d", "ctrl+q")

    run_with(app, scenario)
    assert session.closed == 1


def test_a_key_held_down_does_not_acknowledge_an_unread_caution():
    script = Script([PLACE, CAUTION])
    app, _ = make_app(script)

    async def scenario(pilot):
        screen = await begin(pilot, PLACE)
        screen.read_time_s = 60.0
        screen._shown_since_s -= 60.0
        await pilot.press("enter")
        await until(pilot, lambda: screen._view is CAUTION, "the caution")
        await pilot.press("enter", "enter", "enter")
        assert script.answers == ["done"]

    run_with(app, scenario)


def test_offers_are_taken_by_their_keys():
    script = Script([CLEAN])
    app, _ = make_app(script)

    async def scenario(pilot):
        await begin(pilot, CLEAN)
        await pilot.press("r", "enter", "b", "x")
        await until(pilot, lambda: len(script.answers) == 2, "two answers")
        assert script.answers == ["start_again", "at_end"]

    run_with(app, scenario)


def test_a_captured_level_and_an_accepted_result_are_heard():
    def search(count):
        guidance = Guidance("Up.", Act("volume_up_one"), curve=CURVE[:count])
        return view(Listen(CLEAN.instruction.spec, guidance), CLEAN.reading)

    app, _ = make_app()
    rung = []
    app.bell = lambda: rung.append(True)
    screen_of = {}

    async def scenario(pilot):
        screen_of["it"] = screen = ProcedureScreen(FakeSession(Script([])), _no_person(app))
        await app.push_screen(screen)
        for shown, heard in (
            (search(0), 0),
            (search(1), 1),
            (search(1), 1),
            (search(2), 2),
            (PLACE, 2),
            (DONE, 3),
        ):
            screen.show(shown)
            assert len(rung) == heard

    run_with(app, scenario)


def _no_person(app):
    from levelset.tui.person import ScreenPerson

    return ScreenPerson(app.post_message)


def test_device_trouble_says_what_to_do():
    def broken(person):
        person.see(CLEAN)
        raise DeviceError("the sound device is gone", "plug it in and begin again")

    app, session = make_app(broken)

    async def scenario(pilot):
        await pilot.press("d", "enter")
        await until(pilot, lambda: isinstance(app.screen, ResultScreen), "the result")
        text = screen_text(app)
        assert "ENDED: the sound device is gone." in text
        assert "What to do: plug it in and begin again." in text

    run_with(app, scenario)
    assert session.closed == 1


def test_jobs_that_cannot_be_read_and_a_demonstration_that_cannot_open():
    def unreadable():
        raise InputError("the folder of jobs cannot be read", "look at its permissions")

    app = LevelsetApp(
        open_demo=unreadable,
        list_jobs=unreadable,
        new_job=unused,
        new_job_of_text=unused,
        open_live=unused,
        charset="braille",
    )

    async def scenario(pilot):
        assert "the folder of jobs cannot be read: look at its permissions." in screen_text(app)
        await pilot.press("d")
        assert isinstance(app.screen, JobsScreen)

    run_with(app, scenario)


def test_no_job_yet_says_how_to_begin():
    app, _ = make_app(jobs=())

    async def scenario(pilot):
        assert "No job yet. Press d" in screen_text(app)

    run_with(app, scenario)


def test_hands_are_watched_and_taken_over_from():
    class Slow:
        def see(self, shown):
            self.seen = shown

        def answer(self, shown):
            return Answer("done") if shown is PLACE else None

        def wants_to_stop(self):
            return False

    levers = FakeLevers()
    script = Script([PLACE, CLEAN])
    app, _ = make_app(script, levers=levers, hands=Slow())

    async def scenario(pilot):
        screen = await begin(pilot, PLACE)
        await pilot.press("w")
        await until(pilot, lambda: screen._view is CLEAN, "the hands' answer")
        assert script.answers == ["done"]
        assert "THE HANDS ARE AT WORK" in screen_text(app)
        check_golden(app, "hands_80x24")
        await pilot.press("up")
        assert levers.volume == 10, "two pairs of hands on one knob"
        await pilot.press("w", "up")
        assert levers.volume == 11

    run_with(app, scenario)


def test_keys_move_the_levers():
    levers = FakeLevers()
    play = view(Ask("Play the track set-bass.", Act("play_track", signal=TRACK)))
    app, _ = make_app(Script([PLACE, METER, play, CLOSE]), levers=levers)

    async def scenario(pilot):
        screen = await begin(pilot, PLACE)
        await pilot.press("up", "up", "pageup", "down")
        assert levers.volume == 16
        await pilot.press("right", "shift+right", "left", "left")
        assert levers.gain_db["bass"] == pytest.approx(0.95)
        await pilot.press("home")
        assert levers.gain_db["bass"] == -12.0
        await pilot.press("t", "e", "enter")
        assert levers.done == [
            ("touch", "A", Point("channel", "positive", "bass")),
            ("touch", "B", Point("channel", "negative", "bass")),
            ("engine", True),
        ]
        await until(pilot, lambda: screen._view is METER, "meter")
        levers.done.clear()
        await pilot.press("m")
        assert "the meter shows 2.31 V AC" in screen_text(app)
        assert levers.done == [("meter", Point("source", "positive"), None)]
        await pilot.press(*"2.31", "enter")
        await until(pilot, lambda: screen._view is play, "play")
        await pilot.press("p")
        assert levers.done[-1] == ("track", "set-bass")
        await pilot.press("enter")
        await until(pilot, lambda: screen._view is CLOSE, "listen")
        await pilot.press("p")
        assert levers.done[-1] == ("track", None)
        levers.done.clear()
        await pilot.press(*"t" * (len(PLAN.channels) + 3))
        assert [done[2].place for done in levers.done[::2]] == [
            "channel",  # as asked last
            "source",
            *["channel"] * len(PLAN.channels),
            "open",
        ]

    run_with(app, scenario)


def test_bindings_have_unique_ids_and_no_letter_starts_levelsets_tone():
    bindings = [
        binding
        for owner in (
            LevelsetApp,
            JobsScreen,
            PlanScreen,
            ProcedureScreen,
            ResultScreen,
            HelpScreen,
            JobScreen,
            ProbeScreen,
        )
        for binding in owner.BINDINGS
    ]
    ids = [binding.id for binding in bindings]
    assert all(ids)
    assert len(set(ids)) == len(ids)
    app, _ = make_app(Script([CAUTION]))

    async def scenario(pilot):
        # On the plan, where beginning is one key away, no letter begins.
        await pilot.press("d", *"abcfghijklmnopqrtuvxyz")
        assert isinstance(app.screen, PlanScreen)
        await pilot.press("s", *string.ascii_lowercase.replace("n", ""))
        assert isinstance(app.screen, StepsScreen)

    run_with(app, scenario)


def test_colours_change_and_help_returns():
    app, _ = make_app(Script([CLEAN]))

    async def scenario(pilot):
        await begin(pilot, CLEAN)
        first = app.theme
        await pilot.press("f2")
        assert app.theme != first
        await pilot.press("f2", "f1")
        assert app.theme == first
        check_golden(app, "help_80x24")
        await pilot.press("enter")
        assert isinstance(app.screen, ProcedureScreen)
        assert not app.person.wants_to_stop()

    run_with(app, scenario)


def test_page_of_a_recorded_job():
    app, _ = make_app()

    async def scenario(pilot):
        await pilot.press("enter")
        assert isinstance(app.screen, JobScreen)
        check_golden(app, "job_80x24")

    run_with(app, scenario)


def test_colours_can_be_read():
    """Contrast of text on each band: at least 4.5, WCAG 2.2 success criterion 1.4.3."""
    for theme in THEMES:
        names = {name.rsplit("-", 1)[0] for name in theme.variables}
        assert len(names) == 7
        for name in names:
            pair = [luminance(theme.variables[f"{name}-{part}"]) for part in ("back", "text")]
            assert (max(pair) + 0.05) / (min(pair) + 0.05) >= 4.5, (theme.name, name)


def luminance(colour):
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_screens_and_steps_used_here_are_the_real_types():
    assert STEPS[0].procedure == "clean_volume"
    assert FLAT.reading.output.tone.clipping.state == "hard_clipping"
    assert NOTHING.reading.output.volts_rms is None
    assert SEARCH.instruction.guidance.curve
