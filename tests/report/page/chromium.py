"""Chromium without a window, told what to do through a pipe (Chrome DevTools Protocol): pages from disk."""

import base64
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading

from tests.export.browser import OPTIONS, find_browser

SECONDS = 120.0
# Gives a program the two ends of pipes as its files 3 and 4.
_JOIN = """import fcntl, os, sys
ends = [fcntl.fcntl(int(one), fcntl.F_DUPFD, 16) for one in sys.argv[1:3]]
for place, end in enumerate(ends):
    os.dup2(end, 3 + place)
os.execvp(sys.argv[3], sys.argv[3:])"""


class Chromium:
    """One browser with one page; a context manager. `console` keeps what the page writes there."""

    def __init__(self, seconds=SECONDS):
        self._seconds = seconds

    def __enter__(self):
        browser = find_browser()
        self._profile = tempfile.TemporaryDirectory(prefix="prewarp-", ignore_cleanup_errors=True)
        # The browser reads file 3 and writes file 4.
        to_read, self._to = os.pipe()
        self._from, to_write = os.pipe()
        command = [browser, *OPTIONS, f"--user-data-dir={self._profile.name}", "--remote-debugging-pipe"]
        joined = [sys.executable, "-c", _JOIN, str(to_read), str(to_write), *command, "about:blank"]
        self._process = subprocess.Popen(
            joined,
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        os.close(to_read)
        os.close(to_write)
        # A browser that hangs is ended: then the pipe ends, and so does the wait.
        self._timer = threading.Timer(self._seconds, self._end)
        self._timer.start()
        self._number, self._rest, self._session, self.console = 0, b"", None, []
        try:
            targets = self.call("Target.getTargets")["targetInfos"]
            page = next(one for one in targets if one["type"] == "page")
            attached = self.call("Target.attachToTarget", targetId=page["targetId"], flatten=True)
            self._session = attached["sessionId"]
            for domain in ("Page", "Runtime", "Log"):
                self.call(f"{domain}.enable")
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(self, *_):
        self._timer.cancel()
        self._end()
        self._process.wait(10)
        os.close(self._to)
        os.close(self._from)
        self._profile.cleanup()

    def _end(self):
        # The browser is many processes, all of them ours.
        if self._process.poll() is None:
            os.killpg(self._process.pid, signal.SIGKILL)

    def call(self, method, /, **parameters):
        """Ask for something; return the answer."""
        self._number += 1
        asked = {"id": self._number, "method": method, "params": parameters}
        if self._session is not None:
            asked["sessionId"] = self._session
        os.write(self._to, json.dumps(asked).encode() + b"\0")
        while True:
            told = self._next()
            if told.get("id") == self._number:
                if "error" in told:
                    raise RuntimeError(f"{method}: {told['error']['message']}")
                return told["result"]

    def _next(self):
        while b"\0" not in self._rest:
            found = os.read(self._from, 1 << 20)
            if not found:
                raise RuntimeError(f"the browser ended, or gave nothing within {self._seconds:g} s")
            self._rest += found
        message, _, self._rest = self._rest.partition(b"\0")
        told = json.loads(message)
        if told.get("method") == "Runtime.consoleAPICalled":
            words = [one.get("value", one.get("description")) for one in told["params"]["args"]]
            self.console.append(" ".join(map(str, words)))
        elif told.get("method") == "Log.entryAdded":
            self.console.append(told["params"]["entry"]["text"])
        self.last = told.get("method")
        return told

    def open(self, path, /, *, first=None):
        """Open a file, and wait until it is loaded; `first`: script that runs before those of the page."""
        added = None
        if first is not None:
            added = self.call("Page.addScriptToEvaluateOnNewDocument", source=first)["identifier"]
        self.last = None
        self.call("Page.navigate", url=path.as_uri())
        while self.last != "Page.loadEventFired":
            self._next()
        if added is not None:
            self.call("Page.removeScriptToEvaluateOnNewDocument", identifier=added)

    def evaluate(self, script, /):
        """Return what a script gives, awaited; JSON values."""
        told = self.call("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        if "exceptionDetails" in told:
            raise RuntimeError(str(told["exceptionDetails"].get("exception", told["exceptionDetails"])))
        return told["result"].get("value")

    def key(self, key, /, *, shift=False):
        """Press and release a key."""
        for kind in ("rawKeyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, modifiers=8 if shift else 0)

    def touch(self, kind, points, /):
        """Touch: "touchStart", "touchMove", "touchEnd"; points (x, y), CSS px."""
        self.call("Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y} for x, y in points])

    def screenshot(self, *, whole=False):
        """Return the window, or the whole page, as PNG."""
        told = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(told["data"])

    def resize(self, width, height, /, *, dark=False):
        """Take another size of the window, and its colour scheme."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])
