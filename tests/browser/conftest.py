"""A JupyterLab of our own and a headless Chromium, for tests of the lessons as a learner sees them.

Settings, runtime files and workspaces lie in a temporary folder, so that nothing of the user's own Jupyter is
read or changed. Without a browser the tests are skipped and say so; with CI=true in the environment they fail.
"""

import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from playwright.sync_api import TimeoutError as PlaywrightTimeout

PROJECT = Path(__file__).resolve().parents[2]
SETTINGS = PROJECT / "solarlib" / "jupyter"
SYSTEM_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
RUN_ALL = """async () => {
  const app = window.jupyterapp, panel = app.shell.currentWidget;
  await panel.context.ready; await panel.sessionContext.ready;
  await app.commands.execute('notebook:clear-all-cell-outputs');  // so that no stored number passes for a run
  await app.commands.execute('notebook:run-all-cells'); }"""
ALL_RAN = """() => {
  const panel = window.jupyterapp.shell.currentWidget, kernel = panel.sessionContext.session.kernel;
  if (panel.node.querySelector('[data-mime-type$="jupyter.error"]')) return true;
  const code = [...panel.content.widgets].filter(
    cell => cell.model.type === 'code' && cell.model.sharedModel.source.trim());
  return kernel.status === 'idle' && code.every(cell => cell.model.executionCount !== null); }"""

STATE = """() => {
  const panel = window.jupyterapp.shell.currentWidget, kernel = panel.sessionContext.session.kernel;
  return JSON.stringify({kernel: kernel.status, connection: kernel.connectionStatus, counts:
    [...panel.content.widgets].filter(cell => cell.model.type === 'code').map(cell => cell.model.executionCount)}); }"""


def free_port():
    """Return a port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Lab:
    """A running JupyterLab with the lessons' settings, on the project in ``root``."""

    def __init__(self, folder, root):
        self.root = root
        self.token, port = secrets.token_hex(16), free_port()
        settings = root / ".venv" / "etc" / "jupyter"  # where the front door puts them
        shutil.copytree(SETTINGS, settings)
        environment = os.environ | {
            "JUPYTER_CONFIG_DIR": str(settings),
            "JUPYTER_PREFER_ENV_PATH": "0",
            "JUPYTER_DATA_DIR": str(folder / "data"),
            "JUPYTER_RUNTIME_DIR": str(folder / "runtime"),
            "SOLARLIB_ANSWERS": "my-answers",
            "IPYTHONDIR": str(folder / "ipython"),
        }
        command = [
            sys.executable,
            "-m",
            "jupyterlab",
            "--no-browser",
            f"--ServerApp.port={port}",
            "--ServerApp.port_retries=0",
            f"--IdentityProvider.token={self.token}",
            "--LabApp.expose_app_in_browser=True",
        ]
        self.log = (folder / "lab.log").open("w", encoding="utf-8")
        self.process = subprocess.Popen(command, cwd=folder, env=environment, stdout=self.log, stderr=subprocess.STDOUT)
        self.base = f"http://127.0.0.1:{port}"
        self._wait(folder / "lab.log")

    def _wait(self, log):
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            if self.process.poll() is not None:
                break
            try:
                with urllib.request.urlopen(f"{self.base}/api/status?token={self.token}", timeout=2):
                    return
            except OSError:
                time.sleep(0.2)
        self.stop()
        raise RuntimeError(f"JupyterLab did not start:\n{log.read_text(encoding='utf-8')[-2000:]}")

    def address(self, notebook, view="code"):
        """Return the page of a notebook, given as a path below the root."""
        return f"{self.base}/doc/tree/{notebook}?view={view}&token={self.token}"

    def stop(self):
        """End the server, its kernels with it."""
        self.process.terminate()
        try:
            self.process.wait(timeout=15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.log.close()


class Lesson:
    """A notebook open in the browser, with every error seen so far in ``errors``."""

    def __init__(self, page, lab, notebook, view):
        self.page, self.errors = page, []
        page.on("pageerror", lambda error: self.errors.append(f"page: {error}"))
        page.on("websocket", lambda socket: socket.on("framereceived", self._read_frame))
        page.goto(lab.address(notebook, view))
        page.wait_for_function(
            "() => window.jupyterapp && window.jupyterapp.shell.currentWidget"
            " && window.jupyterapp.shell.currentWidget.sessionContext",
            timeout=60_000,
        )

    def _read_frame(self, payload):
        data = payload if isinstance(payload, bytes) else payload.encode("utf-8")
        if b'"msg_type": "error"' in data or b'"msg_type":"error"' in data:
            self.errors.append(f"kernel: {data[-1500:].decode('utf-8', 'replace')}")

    def run_all(self, timeout_ms=90_000):
        """Run every cell and wait until all have run and the kernel is idle, or one has failed."""
        self.page.evaluate(RUN_ALL)
        try:
            self.page.wait_for_function(ALL_RAN, timeout=timeout_ms)
        except PlaywrightTimeout:
            raise AssertionError(f"not all cells ran: {self.page.evaluate(STATE)} {self.seen_errors()}") from None
        self.page.wait_for_timeout(400)  # widgets draw a moment after their cell has run

    def live(self, timeout_ms=90_000):
        """Wait until a lesson, which runs by itself, is live from its first to its last cell."""
        self.page.locator("[data-lesson=live],[data-lesson=stopped]").wait_for(timeout=timeout_ms)
        self.page.wait_for_timeout(400)
        assert self.page.evaluate(ALL_RAN), self.page.evaluate(STATE)

    def seen_errors(self):
        """Return what a learner would see as an error, and what went wrong unseen."""
        visible = self.page.evaluate("""() => [
            ...document.querySelectorAll('[data-mime-type$="jupyter.error"],[data-mime-type$="jupyter.stderr"],[role=alert]'),
            ...[...document.querySelectorAll('.jp-OutputArea-output')].filter(box =>
                /Error displaying widget|[Jj]avascript error|model not found/.test(box.textContent))
        ].map(box => box.textContent.slice(0, 400))""")
        return self.errors + [text for text in visible if text.strip()]

    def too_wide(self):
        """Return the boxes that scroll sideways at the present window size."""
        return self.page.evaluate("""() => [document.documentElement, ...document.querySelectorAll(
            '.jp-WindowedPanel-outer,.jp-Notebook,.jp-OutputArea-output,.sl-panel,.sl-view')]
            .filter(box => box.scrollWidth > box.clientWidth + 1 && box.clientWidth > 0
                           && getComputedStyle(box).overflowX !== 'visible')
            .map(box => `${box.className} ${box.scrollWidth} > ${box.clientWidth}`)""")


def find_browser(playwright):
    """Return keywords that launch a browser: Playwright's own if installed, else one of the system's; or None."""
    if Path(playwright.chromium.executable_path).exists():
        return {}
    for name in SYSTEM_BROWSERS:
        if shutil.which(name):
            return {"executable_path": shutil.which(name)}
    return None


@pytest.fixture(scope="session")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = find_browser(playwright)
        if found is None:
            reason = f"no browser: `playwright install chromium`, or one of {', '.join(SYSTEM_BROWSERS)} on the path"
            (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(reason)
        chromium = playwright.chromium.launch(**found, args=["--no-sandbox"] if os.name == "posix" else [])
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def lab(browser, tmp_path_factory):
    """A JupyterLab with the lessons' own settings, on a copy of the project's notebooks and data."""
    folder = tmp_path_factory.mktemp("lab")
    root = folder / "project"
    root.mkdir()
    for name in ("notebooks", "data"):
        shutil.copytree(PROJECT / name, root / name, ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    server = Lab(folder, root)
    yield server
    server.stop()


@pytest.fixture
def open_lesson(browser, lab):
    """Return a function that opens a notebook at a window size; its page is closed after the test."""
    contexts = []

    def open_at(notebook, width=1280, height=720, view="code", zoom=1):
        size = {"width": width // zoom, "height": height // zoom}
        contexts.append(browser.new_context(viewport=size, device_scale_factor=zoom))
        return Lesson(contexts[-1].new_page(), lab, notebook, view)

    yield open_at
    for context in contexts:
        context.close()
