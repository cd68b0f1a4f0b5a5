"""A browser that tests point, tap and type in: Chromium, over the pipes of its DevTools protocol.

With `--remote-debugging-pipe` it reads commands from descriptor 3 and answers on 4: JSON texts, a zero byte
after each (Chromium's content/browser/devtools, from memory). Mouse, touch and keys are sent as input events
that the browser takes as a person's, so a page is clicked as it is, with nothing put into it.
"""

from __future__ import annotations

import base64
import json
import os
import select
import signal
import time
from pathlib import Path
from typing import Any

_WAIT_S = 30.0
_KEYS = {"Tab": 9, "Enter": 13, "Escape": 27, " ": 32, "End": 35, "Home": 36}
_KEYS |= {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40}


class Browser:
    """One tab. words: how Chromium is called."""

    def __init__(self, words: list[str], width: int = 768, height: int = 1024) -> None:
        theirs, self._write = os.pipe()
        self._read, theirs_too = os.pipe()
        self._pid = os.posix_spawn(
            words[0],
            [*words, "--remote-debugging-pipe", "about:blank"],
            {**os.environ},
            file_actions=[
                (os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0),
                (os.POSIX_SPAWN_OPEN, 2, os.devnull, os.O_WRONLY, 0),
                (os.POSIX_SPAWN_DUP2, theirs, 103),
                (os.POSIX_SPAWN_DUP2, theirs_too, 104),
                (os.POSIX_SPAWN_DUP2, 103, 3),
                (os.POSIX_SPAWN_DUP2, 104, 4),
                (os.POSIX_SPAWN_CLOSE, 103),
                (os.POSIX_SPAWN_CLOSE, 104),
            ],
        )
        for end in (theirs, theirs_too):
            os.close(end)
        self._rest, self._count, self._session = b"", 0, ""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        self.errors: list[str] = []
        self.asked: list[str] = []
        self.ask("Page.enable")
        self.ask("Runtime.enable")
        self.ask("Network.enable")
        self.ask("Log.enable")
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def close(self) -> None:
        self._session = ""
        self.ask("Browser.close")  # so that it ends what it has started itself
        os.close(self._write)
        os.close(self._read)
        os.kill(self._pid, signal.SIGKILL)
        os.waitpid(self._pid, 0)

    def ask(self, method: str, **parameters: Any) -> Any:
        """Send one command; its result."""
        self._count += 1
        request: dict[str, Any] = {"id": self._count, "method": method, "params": parameters}
        if self._session:
            request["sessionId"] = self._session
        os.write(self._write, json.dumps(request).encode() + b"\0")
        end = time.monotonic() + _WAIT_S
        while True:
            message = self._message(end)
            if message.get("id") == self._count:
                assert "error" not in message, (method, message["error"])
                return message["result"]

    def _message(self, end: float) -> Any:
        while b"\0" not in self._rest:
            left = end - time.monotonic()
            assert left > 0, "the browser does not answer"
            assert select.select([self._read], [], [], left)[0], "the browser does not answer"
            part = os.read(self._read, 1 << 20)
            assert part, "the browser has ended"
            self._rest += part
        text, _, self._rest = self._rest.partition(b"\0")
        message = json.loads(text)
        told = message.get("params", {})
        match message.get("method"):
            case "Runtime.exceptionThrown":
                self.errors.append(json.dumps(told["exceptionDetails"]))
            case "Log.entryAdded":
                self.errors.append(told["entry"]["text"])
            case "Network.requestWillBeSent":
                self.asked.append(told["request"]["url"])
        return message

    def run(self, script: str) -> Any:
        """The value of an expression in the page. Only to look: what it tests is done with mouse and keys."""
        made = self.ask("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in made, made
        return made["result"].get("value")

    def open(self, page: Path) -> None:
        """Load a page and wait until it is there."""
        self.asked.clear()
        self.ask("Page.navigate", url=page.as_uri())
        end = time.monotonic() + _WAIT_S
        while self.run("document.readyState") != "complete" or "about:" in self.run("location.href"):
            assert time.monotonic() < end, "the page does not load"

    def place(self, selector: str) -> tuple[float, float]:
        """The middle of an element, scrolled into sight."""
        quoted = json.dumps(selector)
        x, y = self.run(
            f"(() => {{ const one = document.querySelector({quoted});"
            " one.scrollIntoView({block: 'center'}); const box = one.getBoundingClientRect();"
            " return [box.left + box.width / 2, box.top + box.height / 2]; })()"
        )
        return x, y

    def point(self, selector: str) -> None:
        """Move the mouse onto an element."""
        x, y = self.place(selector)
        self.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def click(self, selector: str) -> None:
        x, y = self.place(selector)
        for kind in ("mouseMoved", "mousePressed", "mouseReleased"):
            self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def tap(self, selector: str) -> None:
        """With a finger."""
        x, y = self.place(selector)
        self.ask("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self.ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def press(self, *keys: str, shift: bool = False) -> None:
        """Keys, one after the other."""
        for key in keys:
            told = {"key": key, "code": "Space" if key == " " else key, "windowsVirtualKeyCode": _KEYS[key]}
            text = {"Enter": "\r", " ": " "}.get(key, "")
            more = {"text": text} if text else {}
            down = "keyDown" if text else "rawKeyDown"
            self.ask("Input.dispatchKeyEvent", type=down, modifiers=8 if shift else 0, **told, **more)
            self.ask("Input.dispatchKeyEvent", type="keyUp", modifiers=8 if shift else 0, **told)

    def picture(self) -> bytes:
        """A PNG of what can be seen."""
        return base64.b64decode(self.ask("Page.captureScreenshot", format="png")["data"])
