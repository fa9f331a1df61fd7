"""Writing that is flushed, whole, and patient only where the platform needs it."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from levelset.record import durable


def test_append_flushes_after_one_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[str] = []
    real_write, real_fsync = os.write, os.fsync
    monkeypatch.setattr(os, "write", lambda d, b: (calls.append("write"), real_write(d, b))[1])
    monkeypatch.setattr(os, "fsync", lambda d: (calls.append("fsync"), real_fsync(d))[1])
    durable.append_line(tmp_path / "j", b"one", 0)
    durable.append_line(tmp_path / "j", b"two", 4)
    assert calls == ["write", "fsync"] * 2
    assert (tmp_path / "j").read_bytes() == b"one\ntwo\n"
    with pytest.raises(ValueError, match="line feed"):
        durable.append_line(tmp_path / "j", b"three\nfour", 8)


def test_a_short_write_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real_write = os.write
    monkeypatch.setattr(os, "write", lambda d, b: real_write(d, b[:3]))
    with pytest.raises(OSError, match="only 3 of 7 bytes"):
        durable.append_line(tmp_path / "j", b"abcdef", 0)


@pytest.mark.skipif(sys.platform == "win32", reason="fcntl is POSIX")
@pytest.mark.parametrize("known", [True, False])
def test_macos_is_asked_for_the_medium_and_falls_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    # F_FULLFSYNC is 51 in Apple's sys/fcntl.h (from memory); fsync there ends in the drive's cache.
    import fcntl

    calls: list[object] = []

    def control(descriptor: int, command: int) -> int:
        calls.append(command)
        if not known:
            raise OSError(errno.ENOTSUP, os.strerror(errno.ENOTSUP))
        return 0

    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(fcntl, "fcntl", control)
    monkeypatch.setattr(os, "fsync", lambda descriptor: calls.append("fsync"))
    with open(tmp_path / "f", "wb") as file:
        durable.sync(file.fileno())
    assert calls == ([51] if known else [51, "fsync"])


def test_a_whole_file_has_its_old_content_or_its_new_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "head.json"
    durable.write_whole(path, b"old")
    for name in ("replace", "fsync"):
        with monkeypatch.context() as patch:

            def fail(*_: object) -> None:
                raise OSError(errno.EIO, os.strerror(errno.EIO))

            patch.setattr(os, name, fail)
            with pytest.raises(OSError, match="Input/output"):
                durable.write_whole(path, b"new")
        assert path.read_bytes() == b"old"
        assert [one.name for one in tmp_path.iterdir()] == ["head.json"]
    durable.write_whole(path, b"new")
    assert path.read_bytes() == b"new"


@pytest.mark.parametrize(("refusals", "works"), [(0, True), (2, True), (3, False)])
def test_a_held_file_is_tried_again_for_a_bounded_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refusals: int, works: bool
) -> None:
    left = refusals
    real_replace = os.replace

    def held(new: Path, path: Path) -> None:
        nonlocal left
        if left:
            left -= 1
            raise PermissionError(errno.EACCES, "held by another program")
        real_replace(new, path)

    monkeypatch.setattr(durable, "RETRY_DELAYS_S", (0.0, 0.0))
    monkeypatch.setattr(os, "replace", held)
    if works:
        durable.write_whole(tmp_path / "f", b"x")
        assert (tmp_path / "f").read_bytes() == b"x"
    else:
        with pytest.raises(PermissionError):
            durable.write_whole(tmp_path / "f", b"x")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows waits")
def test_only_windows_waits() -> None:
    assert durable.RETRY_DELAYS_S == ()


def test_write_new_never_overwrites(tmp_path: Path) -> None:
    durable.write_new(tmp_path / "f", b"x")
    with pytest.raises(FileExistsError):
        durable.write_new(tmp_path / "f", b"y")
    durable.write_new(tmp_path / "g", b"12345")
    durable.truncate(tmp_path / "g", 2)
    assert (tmp_path / "g").read_bytes() == b"12"
