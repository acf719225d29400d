"""A headless browser, spoken to over a pair of pipes (its remote debugging protocol), for tests of the report."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

PROGRAM = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)


class Browser:
    """One page. ``requests`` are addresses that it asked for, ``complaints`` what its console said."""

    def __init__(self, send: int, receive: int) -> None:
        self._send, self._receive = os.fdopen(send, "wb", 0), os.fdopen(receive, "rb", 0)
        self._next, self._rest, self._session = 0, b"", ""
        self.requests: list[str] = []
        self.complaints: list[str] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """The answer to a command; what happens meanwhile is noted."""
        self._next += 1
        message = {"id": self._next, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        self._send.write(json.dumps(message).encode() + b"\0")
        while True:
            found = self._message()
            if found.get("id") == self._next:
                assert "error" not in found, (method, found["error"])
                return found.get("result", {})  # type: ignore[no-any-return]
            self._note(found)

    def open(self, page: Path) -> None:
        """Load a file and wait until it is there."""
        self.requests.clear()
        self.call("Page.navigate", url=page.as_uri())
        end = time.monotonic() + 30
        while self.value("document.readyState") != "complete" or self.value("location.href") == "about:blank":
            assert time.monotonic() < end
        self.value("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def value(self, script: str) -> Any:
        """What an expression is on the page."""
        found = self.call("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def size(self, width: int, height: int = 900) -> None:
        """The window from now on."""
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )

    def theme(self, name: str) -> None:
        """Light or dark from now on."""
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": name}])

    def _message(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            more = self._receive.read(1 << 16)
            assert more, "the browser has ended"
            self._rest += more
        one, _, self._rest = self._rest.partition(b"\0")
        return json.loads(one)  # type: ignore[no-any-return]

    def _note(self, message: dict[str, Any]) -> None:
        method, parameters = message.get("method", ""), message.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(parameters["request"]["url"])
        elif method in ("Runtime.exceptionThrown", "Log.entryAdded", "Runtime.consoleAPICalled"):
            self.complaints.append(json.dumps(parameters)[:400])

    def close(self) -> None:
        """Let go of the pipes."""
        self._send.close()
        self._receive.close()


@contextmanager
def browser(profile: Path) -> Iterator[Browser]:
    """A browser of its own."""
    assert PROGRAM is not None
    in_read, in_write = os.pipe()
    out_read, out_write = os.pipe()
    command = (f'exec "$0" --headless --no-sandbox --disable-gpu --remote-debugging-pipe --user-data-dir="$1" '
               f"3<&{in_read} 4>&{out_write}")  # fmt: skip
    process = subprocess.Popen(["bash", "-c", command, PROGRAM, str(profile)], pass_fds=(in_read, out_write),
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # fmt: skip
    os.close(in_read)
    os.close(out_write)
    page = Browser(in_write, out_read)
    try:
        yield page
    finally:
        page.close()
        process.kill()
        process.wait()
