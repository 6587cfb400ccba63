"""The front door: `python3 -m solarlib lab | show | follow | check | test | save` (on Windows `py -m solarlib lab`).

The first call makes `.venv` beside this folder and installs the pinned environment into it; every later call
starts at once and needs no network. Only the standard library is used here, and the syntax stays old, so that
an old Python gets a sentence and not a traceback.
"""

import os
import sys

if not (3, 11) <= sys.version_info[:2] <= (3, 13):
    sys.exit(
        "These lessons run on Python 3.11, 3.12 or 3.13; this is Python %d.%d. With one of them installed type "
        "`%s -m solarlib lab`; else get one from https://www.python.org or your system's package manager."
        % (sys.version_info[:2] + ("py -3.13" if os.name == "nt" else "python3.13",))
    )


HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(HERE)
# `python3 path/to/solarlib lab` puts this folder on the search path, where a room could hide a package of its name.
sys.path[:] = [entry for entry in sys.path if os.path.abspath(entry or ".") != HERE]

import hashlib
import re
import secrets
import shutil
import signal
import socket
import subprocess
import sysconfig
import time
import tomllib
import webbrowser

VENV = os.path.join(ROOT, ".venv")
OLD = VENV + ".old"  # where a whole environment waits while a newer one is made
LOG = os.path.join(VENV, "install-log.txt")
NEEDED_BYTES = 1.2e9  # the finished environment takes 0.75 GB; the downloads lie beside it for a while
# What the environment holds: its list of packages, and the file that is written once all of them are in.
LESSONS = ("requirements.txt", os.path.join(VENV, "installed.txt"))
TOOLS = ("tests/requirements.txt", os.path.join(VENV, "installed-tools.txt"))
RECIPE = ("solarlib/constraints.txt", "solarlib/pyproject.toml", "solarlib/setup.py")

with open(os.path.join(HERE, "front_door.toml"), "rb") as texts:
    TEXTS = tomllib.load(texts)
QUICK = TEXTS["quick"]  # what `check` runs without further words


def say(text, end="\n"):
    sys.stdout.write(text + end)
    sys.stdout.flush()


def venv_python():
    """Return the path of the environment's own Python."""
    parts = ("Scripts", "python.exe") if os.name == "nt" else ("bin", "python")
    return os.path.join(VENV, *parts)


def base_python():
    """Return a Python outside the environment, also where the caller has activated the environment."""
    return sys._base_executable if os.path.abspath(sys.prefix) == os.path.abspath(VENV) else sys.executable


def wanted_stamp(packages):
    """Return the text that identifies an installed list of packages: the recipe and the Python version."""
    digest = hashlib.sha256()
    for name in (packages,) + RECIPE:
        with open(os.path.join(ROOT, *name.split("/")), "rb") as file:
            digest.update(file.read())
    digest.update(("%d.%d" % sys.version_info[:2]).encode("utf-8"))
    return digest.hexdigest()


def is_installed(packages, stamp):
    """Tell whether a list of packages is there, whole and made from the present recipe."""
    if not (os.path.exists(stamp) and os.path.exists(venv_python())):
        return False
    with open(stamp, encoding="utf-8") as file:
        return file.read() == wanted_stamp(packages)


def explain_failure(log_text):
    """Return one plain sentence on why the installation stopped."""
    return next(row["say"] for row in TEXTS["failure"] if re.search(row["log"], log_text, re.I))


def run_logged(command, log):
    """Run ``command`` in the project's folder, all its words to ``log`` and a dot for each package; return its code."""
    environment = dict(os.environ, PIP_DISABLE_PIP_VERSION_CHECK="1", PIP_NO_INPUT="1", PYTHONUTF8="1")
    environment.pop("PIP_USER", None)
    words = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "encoding": "utf-8", "errors": "replace"}
    process = subprocess.Popen(command, cwd=ROOT, env=environment, **words)
    try:
        for line in process.stdout:
            log.write(line)
            if line.startswith(("Collecting", "Obtaining")):
                say(".", end="")
            elif line.startswith("Installing collected") and line.count(",") > 9:
                say(" unpacking, a minute or more ...", end="")
    finally:
        code = process.wait()
    return code


def make_environment():
    """Make an empty environment, or stop with a sentence that says what to do; a whole older one waits aside."""
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        sys.exit(TEXTS["no_venv"])
    if shutil.disk_usage(ROOT).free < NEEDED_BYTES:
        sys.exit(explain_failure("No space left"))
    say("Installing what the lessons need into .venv: about 160 MB to fetch, some minutes, once.")
    command = [base_python(), "-m", "venv", "--clear", VENV]
    try:
        if os.path.exists(LESSONS[1]):
            os.replace(VENV, OLD)
        made = subprocess.run(command, cwd=ROOT, capture_output=True, encoding="utf-8", errors="replace")
    except OSError as error:
        sys.exit("%s (%s)" % (explain_failure(str(error)), error))
    if made.returncode != 0:
        sys.exit("The environment could not be made in %s. %s" % (VENV, explain_failure(made.stdout + made.stderr)))


def restore():
    """Put the environment that waits aside back into its place; tell whether there was one."""
    if not os.path.exists(OLD):
        return False
    if os.path.exists(LOG):
        shutil.copy(LOG, OLD)
    shutil.rmtree(VENV, ignore_errors=True)
    os.replace(OLD, VENV)
    return True


def install(packages, stamp):
    """Install a list of packages into the environment, or stop with a sentence that says what to do."""
    pip = [venv_python(), "-m", "pip", "install", "--retries", "2"]
    with open(LOG, "w", encoding="utf-8") as log:
        # what builds this project's own package comes first: without network this stops at once
        code = run_logged(pip + ["setuptools>=70"], log) or run_logged(
            pip + ["--no-build-isolation", "-r", packages], log
        )
    say("")
    if code != 0:
        with open(LOG, encoding="utf-8") as log:
            lines = log.read().splitlines()
        say("\n".join("  " + line for line in lines[-8:]))
        sys.exit("%s All lines are in %s" % (explain_failure("\n".join(lines)), LOG))
    with open(stamp, "w", encoding="utf-8") as file:
        file.write(wanted_stamp(packages))


def make_ready(with_tools):
    """Bring the environment to what a word of the front door needs; where that fails, an older one serves on."""
    if not is_installed(*LESSONS):
        try:
            make_environment()
            install(*LESSONS)
        except (SystemExit, KeyboardInterrupt) as stop:
            if not restore() or isinstance(stop, KeyboardInterrupt):
                raise
            say("%s\nNothing is lost: what was installed before is used." % stop)
        shutil.rmtree(OLD, ignore_errors=True)
    if with_tools and not is_installed(*TOOLS):
        say("Installing the tools for tests, once (about 80 MB to fetch).")
        install(*TOOLS)
    settings_into_environment()


def settings_into_environment():
    """Copy JupyterLab's settings into the environment and tell it where this folder lies now."""
    shutil.copytree(os.path.join(HERE, "jupyter"), os.path.join(VENV, "etc", "jupyter"), dirs_exist_ok=True)
    packages = sysconfig.get_path("purelib", "venv", {"base": VENV, "platbase": VENV})
    with open(os.path.join(packages, "solarlib-here.pth"), "w", encoding="utf-8") as link:
        link.write(ROOT + "\n")


def has_browser():
    """Tell whether a browser can open on the screen of the person who typed the command."""
    if os.environ.get("SSH_CONNECTION") and not os.environ.get("DISPLAY"):
        return False
    try:
        webbrowser.get()
    except webbrowser.Error:
        return False
    return True


def lesson(words):
    """Return the file of the lesson whose number is given, by default the first; stop where there is no such."""
    names = sorted(name for name in os.listdir(os.path.join(ROOT, "notebooks")) if re.match("[0-9]+-.*ipynb$", name))
    found = [name for name in names if name.startswith((words or ["0"])[0].zfill(2))]
    if not found:
        sys.exit("Found the lesson %s, allowed is the number of one of these:\n  %s" % (words[0], "\n  ".join(names)))
    return found[0]


def answers(port):
    """Tell whether a server on this machine listens at ``port``."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def serve(words, view):
    """Start JupyterLab, tell its one address once it answers, open it, and wait until it ends; return its code."""
    name, token = lesson(words), secrets.token_hex(16)
    port = next(port for port in range(8888, 9888) if not answers(port))
    os.environ["JUPYTER_TOKEN"] = token
    options = ["-y", "--no-browser", "--ServerApp.log_level=40", "--ServerApp.port=%d" % port]
    process = start([venv_python(), "-m", "jupyterlab"] + options)
    while process.poll() is None and not answers(port):
        time.sleep(0.05)
    address = "http://localhost:%d/doc/tree/notebooks/%s?view=%s&token=%s" % (port, name, view, token)
    if process.poll() is None:
        opens = has_browser()
        say(TEXTS["opened" if opens else "to_open"].format(address=address, port=port))
        if opens:
            webbrowser.open(address)
    return process.wait()


def pytest():
    """The tests on all processors, each file of tests on one of them."""
    return [venv_python(), "-m", "pytest", "-n", "auto", "--dist", "loadfile"]


def check(words):
    """Lint, form and the quick tests: what a contributor runs after each change."""
    for tool in (["check"], ["format", "--check"]):
        code = run([venv_python(), "-m", "ruff"] + tool + ["--quiet", "solarlib", "tests", "data"])
        if code != 0:
            sys.exit(code)
    os.environ["SOLARLIB_PROFILE"] = "quick"
    named = [word for word in words if os.path.exists(os.path.join(ROOT, word.split("::")[0]))]
    return pytest() + ["-m", "not slow and not long"] + ([] if named else QUICK) + words


def test(words):
    """Every test; `--all` adds those that take longer than all others together."""
    if "--all" in words:
        return pytest() + [word for word in words if word != "--all"]
    return pytest() + ["-m", "not long"] + words


def save(words):
    return [venv_python(), "-m", "solarlib.lessons.save"] + words


def follow(words):
    """A command for the folder where it was typed and its files lie; -P: none of them is taken for a module."""
    return [venv_python(), "-P", "-m", "solarlib.house.follow"] + words


def start(command, folder=ROOT):
    """Start ``command`` in a folder and return its process; Ctrl+C is from now on for it to answer."""
    process = subprocess.Popen(command, cwd=folder)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    return process


def run(command, folder=ROOT):
    """Run ``command`` until it ends by itself; return its code."""
    return start(command, folder).wait()


def main(arguments):
    views = {"lab": "code", "show": "page"}
    commands = {"follow": follow, "check": check, "test": test, "save": save}
    if not arguments or arguments[0] not in views | commands:
        say(TEXTS["usage"].format(py="py" if os.name == "nt" else "python3"))
        return 0 if arguments[:1] in (["-h"], ["--help"], ["help"]) else 2
    make_ready(with_tools=arguments[0] in ("check", "test"))
    if arguments[0] in views:
        return serve(arguments[1:], views[arguments[0]])
    return run(commands[arguments[0]](arguments[1:]), os.getcwd() if arguments[0] == "follow" else ROOT)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit("\nStopped. Run the same command again: it repairs what is half done.")
