"""Firefox under a display of its own, told what to do through Marionette, its remote protocol."""

import json
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from base64 import b64decode
from pathlib import Path

from tests.support import missing

BROWSERS = ("firefox-esr", "firefox")
# Software drawing is refused by default; nothing is called home for.
_PREFERENCES = """user_pref("webgl.force-enabled", true);
user_pref("webgl.disabled", false);
user_pref("gfx.webrender.software", true);
user_pref("datareporting.policy.dataSubmissionEnabled", false);
user_pref("app.update.enabled", false);
user_pref("browser.shell.checkDefaultBrowser", false);
user_pref("network.captive-portal-service.enabled", false);
user_pref("network.connectivity-service.enabled", false);
user_pref("marionette.port", %d);
"""


class Firefox:
    """One browser with one page; a context manager with the face of `Chromium`."""

    def __init__(self, seconds=300.0):
        self._seconds = seconds

    def __enter__(self):
        browser = next((path for name in BROWSERS if (path := shutil.which(name))), None)
        server = shutil.which("Xvfb")
        if browser is None or server is None:
            missing("firefox-esr and Xvfb are not both installed")
        self._profile = tempfile.TemporaryDirectory(prefix="prewarp-", ignore_cleanup_errors=True)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        (Path(self._profile.name) / "user.js").write_text(_PREFERENCES % port, encoding="utf-8")
        read, write = os.pipe()
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "start_new_session": True}
        screen = [server, "-displayfd", str(write), "-screen", "0", "1400x1100x24", "-nolisten", "tcp"]
        self._running = [subprocess.Popen(screen, pass_fds=(write,), **quiet)]
        os.close(write)
        # The whole line: a server that cannot end it ends itself.
        with os.fdopen(read) as line:
            display = line.readline().strip()
        command = [browser, "--marionette", "--no-remote", "--profile", self._profile.name, "about:blank"]
        environment = {**os.environ, "DISPLAY": f":{display}", "HOME": self._profile.name}
        self._running.append(subprocess.Popen(command, env=environment, **quiet))
        try:
            self._line = self._joined(port)
            self._file, self._number, self.console = self._line.makefile("rb"), 0, []
            self._message()
            self.call("WebDriver:NewSession")
            self.call(
                "WebDriver:SetTimeouts", script=int(1000 * self._seconds), pageLoad=int(1000 * self._seconds)
            )
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(self, *_):
        for process in reversed(self._running):
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(10)
        self._profile.cleanup()

    def _joined(self, port):
        end = time.monotonic() + self._seconds
        while time.monotonic() < end:
            try:
                return socket.create_connection(("127.0.0.1", port), timeout=self._seconds)
            except OSError:
                time.sleep(0.5)
        raise RuntimeError(f"Firefox did not answer within {self._seconds:g} s")

    def _message(self):
        """Return the next message: its length, a colon, JSON."""
        length = b""
        while (digit := self._file.read(1)) != b":":
            if not digit:
                raise RuntimeError("Firefox ended")
            length += digit
        return json.loads(self._file.read(int(length)))

    def call(self, method, /, **parameters):
        """Ask for something; return the answer."""
        self._number += 1
        data = json.dumps([0, self._number, method, parameters]).encode()
        self._line.sendall(str(len(data)).encode() + b":" + data)
        _, _, error, result = self._message()
        if error:
            raise RuntimeError(f"{method}: {error['message']}")
        return result

    def open(self, path, /):
        """Open a file, and wait until it is loaded."""
        self.call("WebDriver:Navigate", url=path.as_uri())

    def evaluate(self, script, /):
        """Return what an expression gives, awaited; JSON values."""
        return self.call("WebDriver:ExecuteScript", script=f"return ({script});", args=[])["value"]

    def screenshot(self):
        """Return the window as PNG."""
        return b64decode(self.call("WebDriver:TakeScreenshot", full=False)["value"])
