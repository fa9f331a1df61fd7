"""Runs any procedure on any port with any person, and sees to it that the tone ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from functools import partial
from threading import Thread
from typing import TYPE_CHECKING, Any, TypeVar

from levelset.analysis.path_watch import PathWatch
from levelset.errors import DeviceError, LevelsetError, ToneEnded
from levelset.probe.budget import BudgetLine, budget_lines, reading_budget
from levelset.probe.kinds import AnyReading, kind_of
from levelset.probe.path_stage import without_path_faults
from levelset.probe.reading import Frames, TipsReading
from levelset.procedures import entries
from levelset.procedures.common import full_stop, upper_first
from levelset.procedures.facts import Facts, StepResult
from levelset.procedures.glimpse import Glimpses
from levelset.procedures.listening import ear_for
from levelset.procedures.protocol import (
    Accept,
    Acknowledge,
    Answer,
    Ask,
    Compute,
    Finish,
    Instruction,
    Listen,
    Person,
    Play,
    Procedure,
    Recorder,
    Silence,
    StepFailed,
    ToneFrom,
    View,
)
from levelset.procedures.tape import KEEP_S, Tape, codes_from_samples

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from levelset.plan.job import JobPlan
    from levelset.ports.base import Block, Port
    from levelset.probe.calibration import Calibration
    from levelset.signals.signal import Playable


T = TypeVar("T")

PACE_S = 0.01
"""Longest wait between two blocks while slow work goes on, s: well within the lease."""


class _Stopped(Exception):
    """The person left the procedure."""


class Engine:
    """One port, one person, one record.

    Parameters
    ----------
    port : Port
        Where samples come from and signals go.
    recorder : Recorder
        Where facts go.
    person : Person
        Who acts and answers.
    plan : JobPlan
        The plan of the job.
    calibration : Calibration or None
        A calibration that the record already holds.
    calibration_seq : int or None
        Its line in the record.
    steps : sequence of StepResult
        Steps that the record already holds.
    """

    def __init__(
        self,
        port: Port,
        recorder: Recorder,
        person: Person,
        plan: JobPlan,
        *,
        calibration: Calibration | None = None,
        calibration_seq: int | None = None,
        steps: tuple[StepResult, ...] = (),
    ) -> None:
        self.plan = plan
        self.steps: list[StepResult] = list(steps)
        self._port = port
        self._recorder = recorder
        self.person = person
        self._calibration = calibration
        self._calibration_seq = calibration_seq
        self._blocks: Iterator[Block] = iter(())
        self._tape = Tape()
        self._path = PathWatch(port.info.rate_hz)
        self._glimpses = Glimpses(port, self._path)
        self._time_s = 0.0
        self._earliest = 0
        self._last_hz: float | None = None
        self._tone_from: ToneFrom = "nobody"
        self._tone: Playable | None = None
        self._tone_level_dbfs: float | None = None
        self._engine_runs = False
        self._name = ""
        self._channel: str | None = None
        self._cautions: list[str] = []
        self._reading: AnyReading | None = None

    @property
    def facts(self) -> Facts:
        """What is established so far."""
        return Facts(self._calibration, self.steps, engine_runs=self._engine_runs)

    def samples(self, frames: Frames) -> NDArray[np.float64]:
        """Return raw samples of the last seconds; raises LookupError when they are gone."""
        return self._tape.cut(frames)

    @property
    def tone_from(self) -> ToneFrom:
        """Whose tone is on, as far as levelset knows."""
        return self._tone_from

    def run(self, name: str, channel: str | None, procedure: Procedure) -> StepResult:
        """Run a procedure to its end, whatever the end is.

        Parameters
        ----------
        name : str
            Contract name of the procedure.
        channel : str or None
            Amplifier channel it is about.
        procedure : Procedure
            The generator, not started.

        Returns
        -------
        StepResult
            Also recorded.

        Raises
        ------
        DeviceError
            If the input went away; the step is recorded as failed first. A tone that was ended
            for safety only fails the step.
        """
        self._name, self._channel = name, channel
        self._cautions = []
        self._reading = None
        fault: BaseException | None = None
        try:
            # A new look at the port: what came while nobody listened is not read.
            self._blocks = iter(self._port.blocks())
            finish = self._follow(procedure)
        except _Stopped:
            finish = Finish("aborted", "Stopped before the end; nothing was accepted.", {})
        except StepFailed as failure:
            finish = Finish("failed", full_stop(str(failure)), {})
        except LevelsetError as failure:
            finish = Finish("failed", f"{upper_first(failure.what)}: {failure.todo}.", {})
            if isinstance(failure, DeviceError) and not isinstance(failure, ToneEnded):
                fault = failure
        except BaseException as failure:
            finish = Finish("aborted", f"Ended by a fault ({type(failure).__name__}).", {})
            fault = failure
        finally:
            procedure.close()
            self._silence()
        step = self._conclude(finish)
        if fault is not None:
            raise fault
        return step

    def _follow(self, procedure: Procedure) -> Finish:
        instruction: Instruction = next(procedure)
        while not isinstance(instruction, Finish):
            try:
                event = self._carry_out(instruction)
            except DeviceError as fault:
                instruction = procedure.throw(fault)
                continue
            instruction = procedure.send(event)
        return instruction

    def _carry_out(self, instruction: Instruction) -> object:
        match instruction:
            case Acknowledge(caution):
                answer = self._wait_for_answer(instruction)
                self._cautions.append(caution.key)
                self._record("caution", entries.caution(self._name, self._channel, caution))
                return answer
            case Ask():
                answer = self._wait_for_answer(instruction)
                self._note_vehicle(instruction)
                if instruction.answer != "done":
                    line = entries.answer(self._name, self._channel, instruction, answer)
                    self._record("answer", line)
                return answer
            case Play(signal, level_dbfs):
                self._port.play(signal, level_dbfs)
                self._tone_is("levelset", signal, level_dbfs)
            case Silence():
                self._silence()
            case Listen():
                return self._listen(instruction)
            case Accept():
                return self._accept(instruction)
            case Compute():
                return self._compute(instruction)
        return None

    def _wait_for_answer(self, instruction: Acknowledge | Ask) -> Answer:
        view = self._show(instruction)
        while True:
            self._advance()
            answer = self.person.answer(view)
            if answer is not None:
                self._earliest = self._tape.end
                return answer

    def _listen(self, instruction: Listen) -> AnyReading | Answer:
        view = self._show(instruction)
        self._glimpses.listen(instruction.spec, self._calibration, self.person)
        words = {offer.word for offer in instruction.offers}
        rate_hz = self._port.info.rate_hz
        ear = ear_for(instruction.spec, self._tape.end, self._last_hz)
        while True:
            answer = self.person.answer(view)
            if answer is not None and answer.value in words:
                if not ear.keeps_what_was_heard:
                    self._earliest = self._tape.end
                return answer
            frames = ear.due(self._tape, self._earliest, rate_hz)
            if frames is not None:
                break
            self._advance()
            self._glimpses.show(view)
        samples = self._tape.cut(frames)
        reading: AnyReading = self._meanwhile(partial(ear.read, samples, frames, self._calibration))
        if isinstance(reading, TipsReading):
            tones = (reading.output.tone, reading.legs[0].tone)
            found = next((tone.frequency_hz for tone in tones if tone.frequency_hz), None)
            self._last_hz = None if found is None else found.value
        void = self._port.path_void(frames.stream, frames.first, frames.count)
        if isinstance(reading, TipsReading):
            self._path.take(samples, frames.stream, frames.first, tone_hz=reading.spec.expected_hz)
            reading = without_path_faults(reading, frames, self._path, void)
        elif void is not None:
            reading = reading.voided(void)
        if ear.used_up(reading):
            self._earliest = frames.first + frames.count
        self._reading = reading
        return reading

    def _accept(self, instruction: Accept) -> int:
        reading = instruction.reading
        try:
            codes = codes_from_samples(self._tape.cut(reading.frames))
        except LookupError as gone:
            raise StepFailed(
                f"The samples of a reading are kept for {KEEP_S:.0f} s only: repeat the step"
            ) from gone

        def write() -> int:
            capture = self._recorder.store_capture(codes, reading.frames.rate_hz)
            line = entries.reading(
                self._name, self._channel, instruction, capture, self._calibration_seq
            )
            return self._recorder.append(kind_of(reading.spec).line, line)

        return self._meanwhile(write)

    def _compute(self, compute: Compute) -> object:
        """Do the work in a thread that is left behind where the person stops."""
        self._show(compute)
        done: Future[object] = Future()
        Thread(target=_fulfil, args=(done, compute.work), daemon=True).start()
        return self._attended(done)

    def _meanwhile(self, work: Callable[[], T]) -> T:
        """Do slow work; while levelset's own tone is on, its lease is renewed meanwhile."""
        if self._tone_from != "levelset":
            return work()
        with ThreadPoolExecutor(max_workers=1) as worker:
            return self._attended(worker.submit(work))

    def _attended(self, done: Future[T]) -> T:
        """Return what work in a thread gives; the lease is renewed, and the person may leave."""
        while not done.done():
            if self._tone_from == "levelset":
                self._advance()
            elif self.person.wants_to_stop():
                raise _Stopped
            # A port that is not paced must not run ahead of the work.
            wait((done,), timeout=PACE_S)
        return done.result()

    def _record(self, kind: str, data: dict[str, Any]) -> int:
        return self._meanwhile(partial(self._recorder.append, kind, data))

    def _advance(self) -> None:
        """Take one block; the only place where time passes."""
        if self.person.wants_to_stop():
            raise _Stopped
        block = next(self._blocks, None)
        if block is None:
            raise DeviceError("the input has ended", "open the device again and repeat the step")
        if len(block.samples) == 0:
            self._glimpses.wait()
            return
        if self._tape.stream not in (-1, block.stream):
            self._earliest = block.first_frame
        self._tape.add(block)
        self._glimpses.take(block)
        self._time_s = block.time_s + len(block.samples) / block.rate_hz
        if self._tone_from == "levelset":
            self._port.renew()

    def _show(self, instruction: Instruction) -> View:
        view = View(
            procedure=self._name,
            channel=self._channel,
            time_s=self._time_s,
            instruction=instruction,
            reading=self._reading,
            tone_from=self._tone_from,
            tone_name=None if self._tone is None else self._tone.name,
            tone_level_dbfs=self._tone_level_dbfs,
            budget=self._budget(),
        )
        self.person.see(view)
        return view

    def _budget(self) -> tuple[BudgetLine, ...]:
        reading, calibration = self._reading, self._calibration
        if calibration is None or not isinstance(reading, TipsReading):
            return ()
        if reading.output.volts_rms is None:
            return ()
        return budget_lines(reading_budget(reading.output, reading.spec, calibration))

    def _note_vehicle(self, ask: Ask) -> None:
        """Remember what the person has done to the vehicle."""
        if ask.act.verb in ("start_engine", "stop_engine"):
            self._engine_runs = ask.act.verb == "start_engine"
        if ask.act.verb == "play_track" and ask.act.signal is not None:
            self._tone_is("vehicle", ask.act.signal, None)
        elif ask.act.verb == "stop_track":
            self._tone_is("nobody", None, None)

    def _tone_is(self, who: ToneFrom, signal: Playable | None, level_dbfs: float | None) -> None:
        self._tone_from, self._tone, self._tone_level_dbfs = who, signal, level_dbfs
        name = None if signal is None else signal.name
        self._record("tone", entries.tone(who, name, level_dbfs))

    def _silence(self) -> None:
        self._port.silence()
        if self._tone_from == "levelset":
            self._tone_is("nobody", None, None)

    def _conclude(self, finish: Finish) -> StepResult:
        if finish.calibration is not None:
            line = entries.calibration(finish.calibration)
            self._calibration_seq = self._record("calibration", line)
            self._calibration = finish.calibration
        if finish.check is not None and self._calibration_seq is not None:
            line = entries.probe_check(finish.check, self._calibration_seq)
            self._record("probe_check", line)
        sentence = finish.sentence
        if self._tone_from == "vehicle" and finish.outcome in ("failed", "aborted"):
            sentence += " The tone still plays from the vehicle: stop it there."
        step = StepResult(
            self._name,
            self._channel,
            finish.outcome,
            sentence,
            finish.result,
            tuple(self._cautions),
        )
        self.steps.append(step)
        self._record("step", step.as_json())
        self._show(finish)
        return step


def _fulfil(done: Future[object], work: Callable[[], object]) -> None:
    try:
        done.set_result(work())
    except BaseException as fault:
        done.set_exception(fault)
