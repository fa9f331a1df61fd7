"""Watches a sound server: it moves streams elsewhere without a word when their device goes."""

from __future__ import annotations

import shutil
import subprocess
import threading

TOOL = "pactl"
ANSWER_S = 3.0


class ServerWatch:
    """Learns from the server's own tool when a source or sink has gone.

    Without the watch, an unplugged interface would let the tone go on in the laptop's own
    loudspeakers, and readings would come from its microphone.

    Parameters
    ----------
    source, sink : str
        Names to watch; an empty one is not watched.
    """

    def __init__(self, source: str, sink: str) -> None:
        self._wanted = {kind: name for kind, name in (("source", source), ("sink", sink)) if name}
        self._news: str | None = None
        self._process: subprocess.Popen[str] | None = None
        tool = shutil.which(TOOL)
        if self._wanted and tool is not None:
            self._process = subprocess.Popen(
                [tool, "subscribe"],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
            threading.Thread(target=self._listen, args=(tool,), daemon=True).start()

    @property
    def news(self) -> str | None:
        """What has happened, in words; None as long as all is well."""
        return self._news

    def close(self) -> None:
        """End the tool; left alone it ends with its next word."""
        if self._process is not None:
            self._process.kill()

    def _listen(self, tool: str) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        for line in self._process.stdout:
            for kind, name in self._wanted.items():
                if f"'remove' on {kind} #" in line and not self._there(tool, kind, name):
                    self._news = f"the sound server has lost the {kind} {name}"
                    return
        self._news = "the sound server has ended"

    def _there(self, tool: str, kind: str, name: str) -> bool:
        try:
            done = subprocess.run(
                [tool, "list", "short", f"{kind}s"],
                capture_output=True,
                text=True,
                timeout=ANSWER_S,
                check=False,
            )
        except (OSError, subprocess.SubprocessError):
            return False
        return any(name in line.split("\t")[1:2] for line in done.stdout.splitlines())
