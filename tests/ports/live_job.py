"""The whole job through a real sound server, with the simulated car as another process.

As a program (about two minutes, in real time)::

    python tests/ports/live_job.py [--car FILE] [--tone-from levelset] [--jobs DIR]
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.util
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

from levelset.ports.live import open_live
from levelset.procedures.common import OWN_TONE_DBFS
from levelset.record.job import Job
from levelset.session import Session
from levelset.simulation.car_file import load_car, load_demo_car
from levelset.simulation.hands import Hands
from levelset.simulation.paperwork import job_plan

HERE = Path(__file__).parent
HEADROOM_DB = -OWN_TONE_DBFS


def load(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@contextlib.contextmanager
def car_on_the_wire(server: Any, car: Path | None, seed: int = 1) -> Iterator[Any]:
    """Start the car's process; gives its levers."""
    process = load("car_process")
    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/car"
        command = [sys.executable, str(HERE / "car_process.py"), "--socket", path]
        command += ["--ear-db", str(HEADROOM_DB)]
        if car is not None:
            command += ["--car", str(car)]
        with open(f"{folder}/errors", "w") as errors:
            running = subprocess.Popen(
                [*command, "--seed", str(seed)],
                env=os.environ | server.environment(sink="from_car", source="to_car.monitor"),
                stdout=subprocess.DEVNULL,
                stderr=errors,
            )
        try:
            levers = process.RemoteLevers(path)
            try:
                yield levers
            finally:
                levers.close()
        finally:
            running.kill()
            running.wait()


def listening_environment(server: Any) -> dict[str, str]:
    """Return the variables of the measuring side: it plays to the car and hears the car."""
    return dict(server.environment(sink="to_car", source="from_car.monitor"))


def run_job(
    server: Any,
    car: Path | None,
    jobs: Path,
    *,
    tone_from: str,
    on_step: Any = None,
    procedures: tuple[str, ...] = (),
) -> list[Any]:
    """Run the whole job, or some procedures; the environment must lead to the server already."""
    truth = load_demo_car() if car is None else load_car(car)
    plan = replace(job_plan(truth), tone_from=tone_from)
    lead_s = load("car_process").LEAD_S
    with car_on_the_wire(server, car) as levers:
        port = open_live(
            "pulse",
            output="pulse",
            rate_hz=truth.interface.rate_hz,
            channels=truth.interface.channels,
        )
        hands = Hands(levers, lambda: port.time_s + lead_s, 1)
        job = Job.create(jobs, plan.vehicle, plan)
        session = Session(plan.vehicle, plan, port, job, levers, hands)
        try:
            if procedures:
                return [session.run_one(hands, name, None) for name in procedures]
            return session.run(hands, on_step)
        finally:
            session.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--car", type=Path)
    parser.add_argument("--jobs", type=Path)
    parser.add_argument("--tone-from", default="vehicle", choices=["vehicle", "levelset"])
    words = parser.parse_args()
    support = load("live_support")
    jobs = words.jobs or Path(tempfile.mkdtemp())
    jobs.mkdir(parents=True, exist_ok=True)
    server = support.SoundServer(Path(tempfile.mkdtemp()))
    server.start()
    began = time.monotonic()

    def say(step: Any) -> None:
        sys.stdout.write(f"{time.monotonic() - began:6.1f} s  {json.dumps(step.as_json())}\n")
        sys.stdout.flush()

    os.environ.update(listening_environment(server))
    try:
        run_job(server, words.car, jobs, tone_from=words.tone_from, on_step=say)
    finally:
        server.stop()
    sys.stdout.write(f"record: {jobs}\n")


if __name__ == "__main__":
    main()
