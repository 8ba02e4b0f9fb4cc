"""The set-up script on machines that lack something: each ends in one line that says what to do."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# What every Debian has before Python comes: the script may lean on these alone.
BASE = ("sh", "dirname", "cat", "cksum", "date", "env", "find", "id", "rm", "sort", "tr")


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """A bare machine: a folder with the script and ``bin``, which is all that the search path holds."""
    tools = tmp_path / "bin"
    tools.mkdir()
    for name in BASE:
        found = shutil.which(name)
        assert found, f"{name} is missing here"
        (tools / name).symlink_to(found)
    for name in ("run", "pyproject.toml", "constraints.txt"):
        shutil.copy(ROOT / name, tmp_path / name)
    return tmp_path


def put(machine: Path, name: str, script: str) -> None:
    path = machine / "bin" / name
    path.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    path.chmod(0o755)


def run(machine: Path, *words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [machine / "run", *words],
        env={"PATH": str(machine / "bin"), **environment},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


PYTHON_WITHOUT_ENSUREPIP = f"""
case "$2" in
*ensurepip*) exit 1 ;;
*) exec {sys.executable} "$@" ;;
esac"""
PACKAGE = f"python{sys.version_info.major}.{sys.version_info.minor}-venv"


def test_no_python(machine: Path) -> None:
    done = run(machine, "demo")
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.startswith("run: Python 3.11 or newer is needed, and none was found")
    assert done.stderr.count("\n") == 1


def test_an_old_python_is_passed_over(machine: Path) -> None:
    put(machine, "python3", "exit 1")  # what the question after the version gives on an older one
    done = run(machine, "tests")
    assert done.returncode == 1
    assert "none was found" in done.stderr


def test_a_wrong_python_by_name(machine: Path) -> None:
    done = run(machine, "demo", PYTHON="python2")
    assert done.returncode == 1
    assert done.stderr == "run: PYTHON=python2 is no Python 3.11 or newer: set it to one, or unset it\n"


def test_nobody_may_install_the_venv_package(machine: Path) -> None:
    put(machine, "python3", PYTHON_WITHOUT_ENSUREPIP)
    put(machine, "apt-get", "exit 0")
    (machine / "bin" / "id").unlink()
    put(machine, "id", "echo 1000")
    done = run(machine, "demo")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert done.stderr.rstrip().endswith(f"as root, type: apt-get install {PACKAGE}")


def test_the_venv_package_cannot_be_had(machine: Path) -> None:
    put(machine, "python3", PYTHON_WITHOUT_ENSUREPIP)
    put(machine, "apt-get", 'case "$*" in *install*) exit 100 ;; esac')
    (machine / "bin" / "id").unlink()
    put(machine, "id", "echo 0")
    done = run(machine, "demo")
    assert done.returncode == 1
    assert done.stderr.splitlines()[0] == f"run: installing {PACKAGE} with apt-get"
    assert done.stderr.rstrip().endswith(f"as root, type: apt-get install {PACKAGE}")


def test_no_apt_get_either(machine: Path) -> None:
    put(machine, "python3", PYTHON_WITHOUT_ENSUREPIP)
    done = run(machine, "demo")
    assert done.returncode == 1
    assert "set PYTHON to a Python that has it" in done.stderr


def test_sudo_installs_the_venv_package_for_a_user(machine: Path) -> None:
    put(machine, "python3", PYTHON_WITHOUT_ENSUREPIP)
    put(machine, "apt-get", f'echo "$@" >>{machine}/asked')
    put(machine, "sudo", f'echo "sudo $1" >>{machine}/asked; [ "$1" != -n ] || shift; exec "$@"')
    (machine / "bin" / "id").unlink()
    put(machine, "id", "echo 1000")
    done = run(machine, "demo")
    asked = (machine / "asked").read_text(encoding="utf-8")
    assert asked.count("sudo -n") == 2  # nobody is at the keyboard of a test
    assert f"install --no-install-recommends {PACKAGE}" in asked
    assert done.returncode == 1  # this Python stays as it is
    assert "still has no ensurepip module" in done.stderr


def test_an_install_that_fails_is_tried_again(machine: Path) -> None:
    put(
        machine,
        "python3",
        f"""
case "$*" in
*"-m venv"*)
    {sys.executable} -m venv --without-pip {machine}/.venv
    rm {machine}/.venv/bin/python
    printf '#!/bin/sh\\ncase "$*" in *pip*) exit 1 ;; esac\\n' >{machine}/.venv/bin/python
    {shutil.which("chmod")} +x {machine}/.venv/bin/python ;;
*) exec {sys.executable} "$@" ;;
esac""",
    )
    for _ in range(2):
        done = run(machine, "demo")
        assert done.returncode == 1
        assert "run: making .venv" in done.stderr
        assert done.stderr.splitlines()[-1].startswith("run: the install did not finish")


def test_an_unknown_command(machine: Path) -> None:
    done = run(machine, "dmeo")
    assert done.returncode == 2
    assert done.stderr == "run: no such command: dmeo (there are demo, tests, check, bench and help)\n"


def test_help(machine: Path) -> None:
    done = run(machine)
    assert done.returncode == 0
    for word in ("demo", "tests", "check", "bench"):
        assert f"\n  {word} " in done.stdout


def test_the_second_run_installs_nothing(machine: Path) -> None:
    """A stand-in environment with a true stamp goes straight to the command; a changed pin does not."""
    venv = machine / ".venv" / "bin"
    venv.mkdir(parents=True)
    for name, script in {"python": "exit 0", "shimwright": 'echo "shimwright $*"'}.items():
        (venv / name).write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
        (venv / name).chmod(0o755)
    put(machine, "python3", f'exec {sys.executable} "$@"')
    # The stand-in's pip does nothing and says all is well, so this first run only writes the stamp.
    (machine / ".venv" / "shimwright-set-up").write_text(
        f"plain stale\n{machine.resolve()}\n", encoding="utf-8"
    )
    first = run(machine, "demo", "--json")
    assert first.stdout == "shimwright demo --json\n"
    assert "run: installing the project" in first.stderr
    second = run(machine, "demo", "--json")
    assert (second.returncode, second.stdout, second.stderr) == (0, "shimwright demo --json\n", "")
    with (machine / "constraints.txt").open("a", encoding="utf-8") as pins:
        pins.write("another==1.0\n")
    assert "run: installing the project" in run(machine, "demo").stderr
    (machine / "new.py").write_text("", encoding="utf-8")
    assert "run: installing the project" in run(machine, "demo").stderr
    assert run(machine, "demo").stderr == ""


def test_a_moved_tree_gets_a_new_environment(machine: Path) -> None:
    venv = machine / ".venv" / "bin"
    venv.mkdir(parents=True)
    (venv / "python").write_text("#!/bin/sh\nexit 0\n", encoding="utf-8")
    (venv / "python").chmod(0o755)
    (machine / ".venv" / "shimwright-set-up").write_text("plain stale\n/somewhere/else\n", encoding="utf-8")
    put(machine, "python3", f'case "$*" in *"-m venv --clear"*) exit 1 ;; esac; exec {sys.executable} "$@"')
    done = run(machine, "demo")
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1].startswith(f"run: cannot make {machine.resolve()}/.venv")
