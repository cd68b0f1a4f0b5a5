#!/usr/bin/env python3
"""From a fresh checkout to a running program, with Python's standard library alone.

    python3 bootstrap.py demo [ARGUMENTS OF `pinwright demo`]
    python3 bootstrap.py test [ARGUMENTS OF pytest]

Makes the virtual environment `.venv` beside this file (or the one that PINWRIGHT_VENV names), installs
the exact releases of requirements.txt or requirements-test.txt and this checkout, then runs the demo,
or ruff, mypy and pytest. Installs again only when those files, pyproject.toml, the Python or the place
change.

Written so that a Python that is too old can still read it, and say so.
"""

import hashlib
import os
import shutil
import subprocess
import sys

OLDEST = (3, 11)
ROOT = os.path.dirname(os.path.abspath(__file__))
PINS = {"demo": "requirements.txt", "test": "requirements-test.txt"}
STAMP = "pinwright-stamp"


def main(arguments):
    """Do what was asked. Returns the exit status: that of the demo or of the first check that failed."""
    if sys.version_info < OLDEST:
        raise SystemExit(
            "bootstrap: Pinwright needs Python {}.{} or newer; this is Python {}.{} at {}".format(
                OLDEST[0], OLDEST[1], sys.version_info[0], sys.version_info[1], sys.executable
            )
        )
    if not arguments or arguments[0] not in PINS:
        say(__doc__)
        return 0 if arguments in (["-h"], ["--help"]) else 2
    job, rest = arguments[0], arguments[1:]
    venv = os.path.abspath(os.environ.get("PINWRIGHT_VENV") or os.path.join(ROOT, ".venv"))
    prepare(venv, job)
    if job == "demo":
        return run(venv, [program(venv, "pinwright"), "demo"] + rest)
    python = program(venv, "python")
    workers = str(2 * (os.cpu_count() or 1))  # half of the time a test waits for a board to do something
    shared = ["-n", workers, "--dist", "worksteal"]
    checks = (["-m", "ruff", "check", "."], ["-m", "mypy"], ["-m", "pytest"] + shared + rest)
    return next((status for status in [run(venv, [python] + check, ROOT) for check in checks] if status), 0)


def prepare(venv, job):
    """Make the environment fit for the job, unless its stamp says that it is.

    The stamp says "unfinished" until all is installed, so what was interrupted is made anew. It also
    marks the folder as ours: nobody else's is ever emptied.
    """
    stamp = os.path.join(venv, STAMP)
    wanted = fingerprint(venv)
    found = read(stamp)
    if found in (wanted + " test", wanted + " " + job):
        return
    if os.path.isdir(venv) and os.listdir(venv) and not os.path.exists(stamp):
        raise SystemExit(
            "bootstrap: {} exists and was not made by this program; remove it, or name another folder "
            "in the environment variable PINWRIGHT_VENV".format(venv)
        )
    try:
        import ensurepip  # noqa: F401
        import venv as maker
    except ImportError as error:
        raise SystemExit(
            "bootstrap: this Python cannot make virtual environments ({}); "
            "on Debian and Ubuntu, `apt install python3-venv` adds that".format(error)
        )
    try:
        make = not found.startswith(wanted)
        if not os.path.isdir(venv):
            os.makedirs(venv)
        write(stamp, "unfinished")
        if make:
            say("bootstrap: making the virtual environment " + venv)
            empty(venv)
            maker.create(venv, with_pip=True, symlinks=os.name != "nt")  # as `python -m venv` does
    except (OSError, subprocess.CalledProcessError) as error:
        raise SystemExit("bootstrap: the virtual environment {} cannot be made: {}".format(venv, error))
    say("bootstrap: installing the releases of {} (a minute or two)".format(PINS[job]))
    install(venv, ["-r", os.path.join(ROOT, PINS[job])])
    install(venv, ["--no-deps", "--no-build-isolation", "--editable", ROOT])
    write(stamp, wanted + " " + job)


def install(venv, what):
    """Have pip install something, its talk in a log."""
    log = os.path.join(venv, "install.log")
    pip = [program(venv, "python"), "-m", "pip", "--no-input", "--disable-pip-version-check"]
    with open(log, "ab") as talk:
        status = subprocess.call(
            pip + ["install"] + what, env=environment(venv), stdout=talk, stderr=subprocess.STDOUT
        )
    if status:
        raise SystemExit(
            "bootstrap: pip could not install the packages (its exit status is {}; perhaps the network "
            "or the package index is out of reach); what it said is in {}".format(status, log)
        )


def run(venv, command, folder=None):
    """Run a program to its end and return its exit status. An interrupt reaches it too, and it decides."""
    process = subprocess.Popen(command, env=environment(venv), cwd=folder)
    while True:
        try:
            status = process.wait()
        except KeyboardInterrupt:
            continue
        return status if status >= 0 else 128 - status


def environment(venv):
    """The variables for programs of the virtual environment: nothing from other Pythons gets in."""
    variables = dict(os.environ, VIRTUAL_ENV=venv)
    variables["PATH"] = os.path.dirname(program(venv, "python")) + os.pathsep + variables.get("PATH", "")
    for name in ("PYTHONHOME", "PYTHONPATH"):
        variables.pop(name, None)
    return variables


def program(venv, name):
    """Where the virtual environment keeps a program."""
    return os.path.join(venv, *(["Scripts", name + ".exe"] if os.name == "nt" else ["bin", name]))


def fingerprint(venv):
    """Changes when anything that decides what is installed, or where, changes."""
    parts = [sys.version, sys.base_prefix, venv, ROOT]
    parts += [read(os.path.join(ROOT, name)) for name in ("pyproject.toml", PINS["demo"], PINS["test"])]
    return hashlib.sha256("\0".join(parts).encode("utf-8")).hexdigest()


def empty(venv):
    """Remove everything in the folder but the stamp."""
    for name in os.listdir(venv):
        path = os.path.join(venv, name)
        if os.path.isdir(path) and not os.path.islink(path):
            shutil.rmtree(path)
        elif name != STAMP:
            os.unlink(path)


def read(path):
    """The text of a file, or nothing if there is no such file."""
    try:
        with open(path, encoding="utf-8") as file:
            return file.read()
    except (FileNotFoundError, NotADirectoryError):
        return ""


def write(path, text):
    """Put text into a file."""
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)


def say(text):
    """Talk goes to standard error: standard output belongs to what is run."""
    sys.stderr.write(text.strip() + "\n")
    sys.stderr.flush()


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        say("bootstrap: interrupted; the next run goes on from here")
        sys.exit(130)
