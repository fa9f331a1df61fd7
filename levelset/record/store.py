"""Where jobs live, and which are there."""

from __future__ import annotations

import os
from pathlib import Path

from levelset.errors import InputError
from levelset.record.job import Job
from levelset.record.summary import JobSummary, summarise_folder

HOME_VARIABLE = "LEVELSET_HOME"


def jobs_folder() -> Path:
    """Return the folder of all jobs, whether it exists or not.

    It is ``jobs`` under LEVELSET_HOME where that is set, else a visible folder of the user's
    documents, so that jobs are found, copied and kept without levelset.
    """
    home = os.environ.get(HOME_VARIABLE, "")
    if home:
        return Path(home).expanduser().absolute() / "jobs"
    import platformdirs

    return Path(platformdirs.user_documents_dir()) / "levelset"


def data_folder() -> Path:
    """Return the folder of calibrations and settings, whether it exists or not."""
    home = os.environ.get(HOME_VARIABLE, "")
    if home:
        return Path(home).expanduser().absolute()
    import platformdirs

    return Path(platformdirs.user_data_dir("levelset", appauthor=False))


def list_jobs(folder: Path | None = None) -> list[JobSummary]:
    """Return every job in a folder, newest first; damaged ones are there with the reason.

    Parameters
    ----------
    folder : Path or None
        Folder of jobs; `jobs_folder` by default. A folder that does not exist holds none.

    Raises
    ------
    InputError
        If the folder cannot be read.
    """
    folder = jobs_folder() if folder is None else folder
    try:
        paths = [p for p in folder.iterdir() if p.is_dir() and not p.name.startswith(".")]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(f"{folder}: {error.strerror or error}", "check the folder") from error
    jobs = [summarise_folder(path) for path in paths]
    # Folder names begin with the date, which places a job that cannot be read.
    return sorted(jobs, key=lambda job: (job.created or job.path.name, job.path.name), reverse=True)


def find_job(name: str, folder: Path | None = None) -> Path:
    """Return the folder of a job that was named by path or by the name of its folder.

    Raises
    ------
    InputError
        If there is none.
    """
    path = Path(name).expanduser()
    if path.exists():
        return path
    inside = (jobs_folder() if folder is None else folder) / name
    if len(path.parts) == 1 and inside.is_dir():
        return inside
    raise InputError(f"{name}: no such job", "`levelset job list` shows the jobs that are there")


def open_job(name: str, *, writable: bool, folder: Path | None = None) -> Job:
    """Open a job that was named by path or by the name of its folder."""
    return Job.open(find_job(name, folder), writable)
