"""Headless Chromium, driven over WebDriver (W3C) on the loopback."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import re
import subprocess
from typing import TYPE_CHECKING, Any
from urllib.request import Request, urlopen

import harness

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path


@contextlib.contextmanager
def browsing(profile: Path, env: Mapping[str, str] | None = None) -> Iterator[Browser]:
    """Give a session of a browser that has `env` beside this process's environment."""
    harness.need("chromium")
    driver = subprocess.Popen(
        [harness.need("chromedriver"), "--port=0"],
        stdout=subprocess.PIPE,
        text=True,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **(env or {})},
    )
    with driver:
        try:
            port = next(filter(None, map(_maybe_port, driver.stdout or [])))
            page = Browser(port, profile)
            yield page
            page.close()
        finally:
            driver.terminate()


def _maybe_port(line: str) -> int | None:
    found = re.search(r"started successfully on port (\d+)", line)
    return int(found[1]) if found else None


class Browser:
    """A WebDriver session; `do` sends one command and gives its value."""

    def __init__(self, port: int, profile: Path) -> None:
        """Begin a session with a new, empty profile; certificates are checked, as by default."""
        self._root = f"http://127.0.0.1:{port}/session"
        arguments = [
            *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
            *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
            f"--user-data-dir={profile}",
        ]
        options = {"browserName": "chrome", "goog:chromeOptions": {"args": arguments}}
        answer = self._post("", {"capabilities": {"alwaysMatch": options}})
        self._root += f"/{answer['sessionId']}"

    def _post(self, command: str, values: dict[str, Any], method: str = "POST") -> Any:
        request = Request(
            self._root + command,
            data=json.dumps(values).encode() if method == "POST" else None,
            headers={"Content-Type": "application/json"},
            method=method,
        )
        with urlopen(request, timeout=60) as answer:
            return json.load(answer)["value"]

    def open(self, url: str) -> None:
        """Go to an address."""
        self._post("/url", {"url": url})

    def ask(self, expression: str) -> Any:
        """Give the value of a script expression."""
        return self._post("/execute/sync", {"script": f"return {expression}", "args": []})

    def press(self, *keys: str) -> None:
        """Press and let go some keys in turn."""
        strokes = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        actions = [{"type": "key", "id": "keyboard", "actions": strokes}]
        self._post("/actions", {"actions": actions})

    def tell(self, command: str, **values: Any) -> Any:
        """Send a command of the browser's own debugging protocol."""
        return self._post("/goog/cdp/execute", {"cmd": command, "params": values})

    def show_as(self, *, width: int, height: int = 780, scheme: str = "light") -> None:
        """Lay pages out for a screen and a colour scheme."""
        self.tell(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        self.tell("Emulation.setEmulatedMedia", features=features)

    def close(self) -> None:
        """End the session and its browser."""
        self._post("", {}, method="DELETE")

    def picture(self, file: Path) -> None:
        """Write what is seen now to a PNG file."""
        file.write_bytes(base64.b64decode(self._post("/screenshot", {}, method="GET")))
