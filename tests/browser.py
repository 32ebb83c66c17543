"""Owns driving a headless Chromium for tests: the DevTools protocol over a pair of pipes, so nothing but the browser is
needed. Every request and every console message of a page is kept.
"""

from __future__ import annotations

import base64
import io
import json
import os
import select
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
LINE = "apt-get install -y --no-install-recommends chromium"

NPM_S = 120
AXE = "axe-core@4.14.1"


def chromium() -> str:
    """The browser's path; skips the test where there is none."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip(f"no Chromium here; install it with: {LINE}")
    return found


class Browser:
    """One tab. `errors` holds console errors, uncaught exceptions and refusals of the security policy; `asked` every
    address a page asked for."""

    def __init__(self, width: int = 1400, height: int = 900, webgl: bool = True) -> None:
        self.profile = tempfile.mkdtemp(prefix="clearance-browser-")
        to_browser, self.out = os.pipe()
        self.inn, from_browser = os.pipe()
        flags = [
            "--headless=new", "--no-sandbox", "--hide-scrollbars", "--no-first-run", "--disable-background-networking",
            "--disable-component-update", "--disable-sync", "--disable-default-apps", "--force-device-scale-factor=1",
            f"--window-size={width},{height}", f"--user-data-dir={self.profile}", "--remote-debugging-pipe",
        ]  # fmt: skip
        drawing = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader")
        flags += drawing if webgl else ("--disable-gpu", "--disable-3d-apis")

        def hand_over() -> None:
            # The browser reads from 3 and writes to 4; both are first put out of each other's way.
            a, b = os.dup(to_browser), os.dup(from_browser)
            os.dup2(a, 3)
            os.dup2(b, 4)

        self.process = subprocess.Popen(
            [chromium(), *flags, "about:blank"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, preexec_fn=hand_over, close_fds=False, start_new_session=True,
        )  # fmt: skip
        os.close(to_browser)
        os.close(from_browser)
        self.number, self.rest = 0, b""
        self.errors: list[str] = []
        self.asked: list[str] = []
        self.session = None
        target = next(t for t in self.call("Target.getTargets")["targetInfos"] if t["type"] == "page")
        found = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        self.session = found["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def call(self, method: str, timeout_s: float = 60.0, **parameters: object) -> dict:
        """One command of the protocol, and its answer."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.out, json.dumps(message).encode() + b"\0")
        wanted, end = self.number, time.monotonic() + timeout_s
        while True:
            answer = self._read(end)
            if answer.get("id") == wanted:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self._told(answer)

    def _read(self, end: float) -> dict:
        while b"\0" not in self.rest:
            ready, _, _ = select.select([self.inn], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser did not answer")
            part = os.read(self.inn, 1 << 20)
            if not part:
                raise RuntimeError("the browser ended")
            self.rest += part
        message, self.rest = self.rest.split(b"\0", 1)
        return json.loads(message)

    def _told(self, message: dict) -> None:
        method, what = message.get("method"), message.get("params", {})
        if method == "Runtime.exceptionThrown":
            self.errors.append(str(what["exceptionDetails"].get("exception", {}).get("description", what)))
        elif method == "Runtime.consoleAPICalled" and what["type"] in ("error", "assert"):
            self.errors.append(" ".join(str(a.get("value", a.get("description"))) for a in what["args"]))
        elif method == "Log.entryAdded" and what["entry"]["level"] == "error":
            self.errors.append(f"{what['entry']['text']} {what['entry'].get('url', '')}")
        elif method == "Network.requestWillBeSent":
            self.asked.append(what["request"]["url"])

    def go(self, address: str, timeout_s: float = 60.0) -> None:
        """Open a page and wait until it says that it is ready."""
        self.call("Page.navigate", url="about:blank")
        self.errors.clear()
        self.asked.clear()
        self.call("Page.navigate", url=address)
        self.wait("document.documentElement && document.documentElement.dataset.ready === '1'", timeout_s)

    def js(self, code: str, timeout_s: float = 60.0):  # type: ignore[no-untyped-def]
        """The value of an expression in the page; promises are waited for."""
        found = self.call(
            "Runtime.evaluate", timeout_s, expression=code, returnByValue=True, awaitPromise=True, userGesture=True
        )
        if "exceptionDetails" in found:
            raise RuntimeError(found["exceptionDetails"].get("exception", {}).get("description", str(found)))
        return found["result"].get("value")

    def wait(self, condition: str, timeout_s: float = 60.0) -> None:
        """Until the condition holds in the page."""
        end = time.monotonic() + timeout_s
        while not self.js(condition):
            if time.monotonic() > end:
                raise TimeoutError(f"never came true: {condition}; errors: {self.errors}")
            time.sleep(0.05)

    def drawn(self) -> None:
        """Until what was asked for is on the screen."""
        self.js("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def key(self, key: str, selector: str = "#canvas") -> None:
        """A key pressed while an element has the focus."""
        self.js(f"document.querySelector({json.dumps(selector)}).focus()")
        named = {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "Enter": 13, "Home": 36, "End": 35}
        code = named.get(key, ord(key[0].upper()))
        more = {"text": key} if len(key) == 1 else {}
        for kind in ("keyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=key, windowsVirtualKeyCode=code,
                **(more if kind == "keyDown" else {}),
            )  # fmt: skip
        self.drawn()

    def mouse(self, kind: str, x: float, y: float, **more: object) -> None:
        """A mouse event at a place on the screen [px]."""
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)

    def picture(self, path: Path | None = None) -> np.ndarray:
        """What is on the screen, (height, width, 3)."""
        from PIL import Image

        raw = base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
        if path is not None:
            path.write_bytes(raw)
        return np.asarray(Image.open(io.BytesIO(raw)).convert("RGB"), dtype=np.int16)

    def close(self) -> None:
        """End the browser and all it started."""
        os.close(self.out)
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait(5)
        os.close(self.inn)
        shutil.rmtree(self.profile, ignore_errors=True)


def installed(folder: Path, *packages: str) -> Path:
    """A folder with packages from the npm registry; skips the test where they cannot be had."""
    if shutil.which("npm") is None:
        pytest.skip("no npm here; install it with: apt-get install -y --no-install-recommends npm")
    run = subprocess.run(
        ["npm", "install", "--no-package-lock", "--no-audit", "--no-fund", "--ignore-scripts", *packages],
        cwd=folder, capture_output=True, text=True, timeout=NPM_S, check=False,
    )  # fmt: skip
    if run.returncode:
        pytest.skip(f"the npm registry cannot be reached: {run.stderr.strip().splitlines()[-1:]}")
    return folder / "node_modules"


def barriers(tab: Browser, folder: Path) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA in the page that is open."""
    axe = (installed(folder, AXE) / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
    tab.js(axe + "; 1")
    return tab.js(
        "axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] }).then((r) =>"
        " r.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.html + ' ' + n.failureSummary).join(' | ')}`))",
        timeout_s=120,
    )
