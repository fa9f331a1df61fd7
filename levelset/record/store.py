"""Where jobs live, and which are there."""

from __future__ import annotations

import os
from pathlib import Path

from levelset.errors import InputError
from levelset.record.index import INDEX, list_rows
from levelset.record.summary import JobRow

HOME_VARIABLE = "LEVELSET_HOME"


def jobs_folder(chosen: Path | None = None) -> Path:
    """Return the folder of all jobs, whether it exists or not: the chosen one, if there is one.

    It is ``jobs`` under LEVELSET_HOME where that is set, else a visible folder of the user's
    documents, so that jobs are found, copied and kept without levelset.
    """
    if chosen is not None:
        return chosen
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


def list_jobs(folder: Path | None = None) -> list[JobRow]:
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
    rows = list_rows(jobs_folder(folder), data_folder() / INDEX)
    # Folder names begin with the date, which places a job that cannot be read.
    return sorted(rows, key=lambda job: (job.created or job.path.name, job.path.name), reverse=True)


def find_job(name: str, folder: Path | None = None) -> Path:
    """Return the folder of a job that was named by path or by the name of its folder.

    Raises
    ------
    InputError
        If there is none.
    """
    try:
        path = Path(name).expanduser()
        if path.exists():
            return path
        inside = jobs_folder(folder) / name
        if len(path.parts) == 1 and inside.is_dir():
            return inside
        why = "no such job"
    except (OSError, RuntimeError, ValueError) as error:  # too long, no such user, a zero byte
        why = f"no such job ({getattr(error, 'strerror', None) or error})"
    raise InputError(f"{name}: {why}", "`levelset job list` shows the jobs that are there")
