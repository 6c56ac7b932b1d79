"""One command from a fresh checkout to a running Slowglass.

    python start.py demo     make the example night and show it in the browser
    python start.py run ...  any slowglass command, for example: run kit
    python start.py test     install the developer tools and run the tests
    python start.py check    style, types and layers, as the tests' machine checks them

It makes a virtual environment in .venv beside this file, installs Slowglass into it once, and
uses it from then on. What stands after the command is passed on. It needs Python 3.11 or newer
and, the first time, a network connection.
"""
# Kept to syntax that older Pythons can read, so that they reach the message below.

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

OLDEST = (3, 11)
NEWER = (13, 12, 11, 14)  # tried in this order: wheels for the newest come late
HERE = Path(__file__).resolve().parent
ENVIRONMENT = HERE / ".venv"
STAMP = ENVIRONMENT / "slowglass-start.json"
COMMANDS = ("demo", "run", "test", "check")


class Trouble(Exception):
    """Something the person has to put right; the text says how."""


def main(arguments):
    """Exit code of one call."""
    if not arguments or arguments[0] in ("-h", "--help"):
        print(__doc__.strip())
        return 0 if arguments else 2
    command, rest = arguments[0], list(arguments[1:])
    try:
        if command not in COMMANDS:
            raise Trouble(f"unknown command {command!r}: use one of {', '.join(COMMANDS)}")
        if sys.version_info < OLDEST:
            return _with_newer_python(arguments)
        developer = command in ("test", "check")
        python = prepare(developer=developer)
        if command == "check":
            return _check(python)
        if command == "test":
            return _call(_test_words(rest, python))
        words = rest if command == "run" else [command, *rest]
        return _call([str(python), "-m", "slowglass", *words], folder=Path.cwd())
    except Trouble as trouble:
        print(f"start.py: {trouble}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("start.py: stopped on request", file=sys.stderr)
        return 1


def prepare(*, developer):
    """Path of the environment's Python, with Slowglass (and the developer tools) installed."""
    python = _environment_python()
    wanted = _fingerprint()
    known = _read_stamp()
    fresh = known.get("fingerprint") == wanted and _runs(python)
    if fresh and (known.get("developer") or not developer):
        return python
    if not _runs(python):
        _make_environment()
    packages = ["-e", str(HERE)]
    developer = developer or bool(known.get("developer"))
    if developer:
        packages += developer_packages(HERE / "pyproject.toml")
    _say("Installing Slowglass and its libraries into .venv (the first time takes minutes) ...")
    quiet = [] if sys.stderr.isatty() else ["--quiet"]
    pip = [str(python), "-m", "pip", "install", "--no-input", *quiet]
    pip.append("--disable-pip-version-check")
    if _call([*pip, *packages]) != 0:
        raise Trouble(
            "the installation failed (see pip's message above); check the network connection "
            "and the free disk space, then run the same command again"
        )
    stamp = {"fingerprint": wanted, "developer": developer}
    STAMP.write_text(json.dumps(stamp), encoding="utf-8")
    return python


def developer_packages(pyproject):
    """Requirements of the dev group, read here because older pips know no groups."""
    import tomllib

    groups = tomllib.loads(pyproject.read_text(encoding="utf-8"))["dependency-groups"]

    def expand(name):
        for entry in groups[name]:
            if isinstance(entry, str):
                yield entry
            else:
                yield from expand(entry["include-group"])

    return list(expand("dev"))


def _test_words(rest, python):
    """The test run: two processes unless the arguments say otherwise."""
    own = any(word.startswith(("-n", "--numprocesses", "-p", "--pdb")) for word in rest)
    parallel = [] if own else ["-n", "2", "--dist", "loadfile"]
    return [str(python), "-m", "pytest", *parallel, *rest]


def _check(python):
    """The first failing check's exit code, or 0."""
    tools = python.parent
    suffix = ".exe" if os.name == "nt" else ""
    checks = (
        [str(python), "-m", "ruff", "check"],
        [str(python), "-m", "ruff", "format", "--check"],
        [str(python), "-m", "mypy"],
        [str(tools / f"lint-imports{suffix}")],
    )
    for words in checks:
        _say(f"check: {' '.join([Path(words[0]).stem, *words[1:]])}")
        code = _call(words)
        if code != 0:
            return code
    return 0


def _make_environment():
    """A new .venv; an old one whose Python no longer runs is replaced."""
    if ENVIRONMENT.exists() and not (ENVIRONMENT / "pyvenv.cfg").exists():
        raise Trouble(f"{ENVIRONMENT} exists but is no virtual environment: move it away")
    _say("Making a virtual environment in .venv ...")
    words = [sys.executable, "-m", "venv", "--clear", str(ENVIRONMENT)]
    if _call(words) != 0 or not _runs(_environment_python()):
        raise Trouble(
            "no virtual environment could be made; on Debian or Ubuntu install python3-venv, "
            "elsewhere install Python from python.org, then run the same command again"
        )


def _with_newer_python(arguments):
    """Run this file again with a Python that is new enough, if there is one."""
    candidates = [[f"python3.{minor}"] for minor in NEWER]
    if os.name == "nt":
        candidates = [["py", f"-3.{minor}"] for minor in NEWER]
    found = [words for words in candidates if shutil.which(words[0]) and _is_newer(words)]
    if not found:
        raise Trouble(
            f"Python {OLDEST[0]}.{OLDEST[1]} or newer is needed; this is "
            f"{sys.version_info[0]}.{sys.version_info[1]} ({sys.executable}). "
            "Install a newer one from python.org and run this again with it"
        )
    return _call([*found[0], str(HERE / "start.py"), *arguments], folder=Path.cwd())


def _is_newer(words):
    code = "import sys; sys.exit(sys.version_info < (3, 11))"
    return subprocess.call([*words, "-c", code], stderr=subprocess.DEVNULL) == 0


def _environment_python():
    if os.name == "nt":
        return ENVIRONMENT / "Scripts" / "python.exe"
    return ENVIRONMENT / "bin" / "python"


def _runs(python):
    """True when this interpreter starts, has pip and is new enough."""
    if not python.exists():
        return False
    code = "import sys, pip; sys.exit(sys.version_info < (3, 11))"
    try:
        return subprocess.run([str(python), "-c", code], stderr=subprocess.DEVNULL).returncode == 0
    except OSError:
        return False


def _fingerprint():
    """Changes whenever the requirements or the place of the checkout change."""
    project = (HERE / "pyproject.toml").read_bytes()
    return hashlib.sha256(project + str(HERE).encode()).hexdigest()


def _read_stamp():
    try:
        stamp = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def _call(words, folder=HERE):
    """Exit code of a child process; on Ctrl-C it gets time to end by itself."""
    process = subprocess.Popen(words, cwd=str(folder))
    try:
        return process.wait()
    except KeyboardInterrupt:
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.terminate()
            process.wait()
        raise


def _say(text):
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
