"""The front door: `python3 -m solarlib lab | check | test | save` (on Windows `py -m solarlib lab`).

The first call makes `.venv` beside this folder and installs the pinned environment into it; every later call
starts at once and needs no network. Only the standard library is used here, and the syntax stays old, so that
an old Python gets a sentence and not a traceback.
"""

import sys

if sys.version_info < (3, 11):
    sys.exit(
        "These lessons need Python 3.11 or newer; this is Python %d.%d. Get a newer one from https://www.python.org "
        "or your system's package manager, then run the same command with it." % sys.version_info[:2]
    )

import os

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(HERE)
# `python3 path/to/solarlib lab` puts this folder on the search path, where a room could hide a package of its name.
sys.path[:] = [entry for entry in sys.path if os.path.abspath(entry or ".") != HERE]

import hashlib
import re
import shutil
import signal
import subprocess
import tomllib
import webbrowser

VENV = os.path.join(ROOT, ".venv")
LOG = os.path.join(VENV, "install-log.txt")
FIRST_LESSON = "notebooks/00-start-here.ipynb"
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
    """Return the text that identifies an installed list of packages: the recipe, the Python version and the place."""
    digest = hashlib.sha256()
    for name in (packages,) + RECIPE:
        with open(os.path.join(ROOT, *name.split("/")), "rb") as file:
            digest.update(file.read())
    digest.update(("%d.%d %s" % (sys.version_info[0], sys.version_info[1], ROOT)).encode("utf-8"))
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
    for line in process.stdout:
        log.write(line)
        if line.startswith(("Collecting", "Obtaining")):
            say(".", end="")
    return process.wait()


def make_environment():
    """Make an empty environment, or stop with a sentence that says what to do."""
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        sys.exit(TEXTS["no_venv"])
    if shutil.disk_usage(ROOT).free < NEEDED_BYTES:
        sys.exit(explain_failure("No space left"))
    say("First start: installing what the lessons need into .venv (about 160 MB to fetch, one to five minutes).")
    try:
        made = subprocess.call([base_python(), "-m", "venv", "--clear", VENV], cwd=ROOT)
    except OSError as error:
        sys.exit("Python could not be started again (%s)." % error)
    if made != 0:
        sys.exit("The environment could not be made in %s. %s" % (VENV, explain_failure("Permission denied")))


def install(packages, stamp):
    """Install a list of packages into the environment, or stop with a sentence that says what to do."""
    command = [venv_python(), "-m", "pip", "install", "--retries", "2", "-r", packages]
    with open(LOG, "w", encoding="utf-8") as log:
        code = run_logged(command, log)
    say("")
    if code != 0:
        with open(LOG, encoding="utf-8") as log:
            lines = log.read().splitlines()
        say("\n".join("  " + line for line in lines[-8:]))
        sys.exit("%s All lines are in %s" % (explain_failure("\n".join(lines)), LOG))
    with open(stamp, "w", encoding="utf-8") as file:
        file.write(wanted_stamp(packages))


def make_ready(with_tools):
    """Bring the environment to what a word of the front door needs."""
    if not is_installed(*LESSONS):
        make_environment()
        install(*LESSONS)
    if with_tools and not is_installed(*TOOLS):
        say("Installing the tools for tests, once (about 80 MB to fetch).")
        install(*TOOLS)
    settings_into_environment()


def settings_into_environment():
    """Copy JupyterLab's settings into the environment, where a plain `jupyter lab` obeys them too."""
    shutil.copytree(os.path.join(HERE, "jupyter"), os.path.join(VENV, "etc", "jupyter"), dirs_exist_ok=True)


def has_browser():
    """Tell whether a browser can open on the screen of the person who typed the command."""
    if os.environ.get("SSH_CONNECTION") and not os.environ.get("DISPLAY"):
        return False
    try:
        webbrowser.get()
    except webbrowser.Error:
        return False
    return True


def lab(words):
    command = [venv_python(), "-m", "jupyter", "lab"]
    if not has_browser():
        command.append("--no-browser")
        say("No browser opens from here: copy the address that begins with http://localhost into one.")
        say("(Over SSH, first connect with `ssh -L 8888:localhost:8888 ...`, with the port that the address shows.)")
    say("The lessons start with %s. To stop: Ctrl+C here." % FIRST_LESSON)
    return command + ["-y"] + words


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


def run(command):
    """Run ``command`` in the project's folder until it ends by itself; Ctrl+C is for it to answer. Return its code."""
    process = subprocess.Popen(command, cwd=ROOT)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    return process.wait()


def main(arguments):
    commands = {"lab": lab, "check": check, "test": test, "save": save}
    if not arguments or arguments[0] not in commands:
        say(TEXTS["usage"].format(py="py" if os.name == "nt" else "python3"))
        return 0 if arguments[:1] in (["-h"], ["--help"], ["help"]) else 2
    make_ready(with_tools=arguments[0] in ("check", "test"))
    return run(commands[arguments[0]](arguments[1:]))


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit("\nStopped. Run the same command again: it repairs what is half done.")
