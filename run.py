"""One door for people and for CI: ``python3 run.py demo`` sets everything up in .venv and runs it.

Standard library only, because it runs before anything is installed. Old interpreters must be able to parse this
file down to the version check, so that they can say what is wrong with them.
"""

import contextlib
import ctypes
import errno
import hashlib
import importlib.util
import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

OLDEST, NEWEST = (3, 11), (3, 13)
if not OLDEST <= sys.version_info[:2] <= NEWEST:  # before the definitions below, which older ones cannot evaluate
    named = [name for name in ("python3.13", "python3.12", "python3.11") if shutil.which(name)]
    sys.exit(
        f"benchkit needs Python 3.11, 3.12 or 3.13; this is {sys.version.split()[0]} ({sys.executable}). "
        + (f"Try: {named[0]} run.py" if named else "Install one of them and call it by name: python3.12 run.py")
        + " demo"
    )

import tomllib  # noqa: E402 - younger than the interpreters the check above speaks to

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
STAMP = VENV / "benchkit-install.json"
LOG = VENV / "benchkit-install.log"
LOCK = ROOT / ".venv.lock"
CONSTRAINTS = Path("shared") / "constraints.txt"
WINDOWS = os.name == "nt"

# Qt's wheels bring Qt itself, not the system libraries it loads: (library, Debian, Fedora, Arch).
QT_OFFSCREEN = (
    ("libEGL.so.1", "libegl1", "libglvnd-egl", "libglvnd"),
    ("libGL.so.1", "libgl1", "libglvnd-glx", "libglvnd"),
    ("libxkbcommon.so.0", "libxkbcommon0", "libxkbcommon", "libxkbcommon"),
    ("libdbus-1.so.3", "libdbus-1-3", "dbus-libs", "dbus"),
    ("libgthread-2.0.so.0", "libglib2.0-0", "glib2", "glib2"),
    ("libfontconfig.so.1", "libfontconfig1", "fontconfig", "fontconfig"),
)
QT_WINDOW = (
    ("libxkbcommon-x11.so.0", "libxkbcommon-x11-0", "libxkbcommon-x11", "libxkbcommon-x11"),
    ("libxcb-cursor.so.0", "libxcb-cursor0", "xcb-util-cursor", "xcb-util-cursor"),
    ("libxcb-icccm.so.4", "libxcb-icccm4", "xcb-util-wm", "xcb-util-wm"),
    ("libxcb-keysyms.so.1", "libxcb-keysyms1", "xcb-util-keysyms", "xcb-util-keysyms"),
    ("libxcb-shape.so.0", "libxcb-shape0", "libxcb", "libxcb"),
    ("libxcb-image.so.0", "libxcb-image0", "xcb-util-image", "xcb-util-image"),
    ("libxcb-render-util.so.0", "libxcb-render-util0", "xcb-util-renderutil", "xcb-util-renderutil"),
    ("libxcb-xkb.so.1", "libxcb-xkb1", "libxcb", "libxcb"),
)
QT_FONT = ("a TrueType font", "fonts-dejavu-core", "dejavu-sans-fonts", "ttf-dejavu")
FONT_DIRS = ("/usr/share/fonts", "/usr/local/share/fonts", "~/.fonts", "~/.local/share/fonts")

APT, DNF, PACMAN = 1, 2, 3  # columns of the tables above
INSTALLERS = (
    (APT, "apt-get", ["apt-get", "install", "-y", "--no-install-recommends"]),
    (DNF, "dnf", ["dnf", "install", "-y"]),
    (PACMAN, "pacman", ["pacman", "-S", "--needed"]),
)
APT_OPTIONS = ["-qq", "-o", "DPkg::Lock::Timeout=120", "-o", "Dpkg::Use-Pty=0"]


def say(text: str) -> None:
    print(text, flush=True)


# --- system packages ------------------------------------------------------------------------------------------------


def missing_for_qt() -> list[tuple[str, str, str, str]]:
    """Rows of the tables above whose library does not load; empty on macOS and Windows, which bring them along."""
    if not sys.platform.startswith("linux"):
        return []
    on_screen = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    rows = [row for row in QT_OFFSCREEN + (QT_WINDOW if on_screen else ()) if not loads(row[0])]
    fonts = (path for folder in FONT_DIRS for path in Path(folder).expanduser().rglob("*.[to]t[fc]"))
    return rows if next(fonts, None) else [*rows, QT_FONT]


def loads(library: str) -> bool:
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True


def has_venv() -> bool:
    return bool(importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip"))


def installer() -> tuple[int, list[str]]:
    """Column of the package tables and install command of this system; column 0 when it is not known."""
    return next(((column, line) for column, tool, line in INSTALLERS if shutil.which(tool)), (0, []))


def rights() -> list[str] | None:
    """Words to put before a command that needs root, or None without the right to run one."""
    if os.geteuid() == 0:
        return []
    sudo = shutil.which("sudo")
    allowed = sudo and subprocess.call([sudo, "-n", "true"], stderr=subprocess.DEVNULL) == 0
    return [sudo, "-n"] if sudo and allowed else None


def apt_get(prefix: list[str], packages: list[str]) -> bool:
    """Install Debian packages; package lists are fetched only when the install fails without them."""
    quiet = [*prefix, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", *APT_OPTIONS]
    install = [*quiet, "install", "-y", "--no-install-recommends", *packages]
    steps = ([install], [[*quiet, "update"], install])
    for step in steps:
        outputs = [
            subprocess.run(line, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False) for line in step
        ]
        if outputs[-1].returncode == 0:
            return True
    say("  " + "\n  ".join(outputs[-1].stderr.strip().splitlines()[-5:]))
    return False


def prepare_system() -> None:
    """Bring what pip cannot: Python's venv module (needed) and Qt's libraries (only the dashboard needs them)."""
    column, line = installer()
    for_qt = packages(missing_for_qt(), column)
    for_venv = [] if has_venv() else [f"python3.{sys.version_info.minor}-venv"]
    prefix = rights() if column == APT and (for_qt or for_venv) else None
    if prefix is not None:
        say(f"Installing system packages with apt-get: {' '.join(for_venv + for_qt)}")
        if not apt_get(prefix, for_venv + for_qt) and for_venv and for_qt:
            apt_get(prefix, for_venv)
        importlib.invalidate_caches()
    if not has_venv():
        how = f"Install it with\n  {as_root([*line, *for_venv, *for_qt])}\n" if column == APT else ""
        sys.exit(
            f"This Python ({sys.executable}) has no venv module with ensurepip.\n{how}Then run the same command again."
        )
    missing = missing_for_qt()
    if missing:
        say(f"Note: the dashboard (Qt) lacks {', '.join(row[0] for row in missing)}; all else works without.")
        say_how_to_get(missing)


def packages(rows: list[tuple[str, str, str, str]], column: int) -> list[str]:
    """Names of the packages that hold these libraries, each once; none where the system is not known."""
    return list(dict.fromkeys(row[column] for row in rows)) if column else []


def say_how_to_get(missing: list[tuple[str, str, str, str]]) -> None:
    column, line = installer()
    if column:
        say(f"  To have it: {as_root([*line, *packages(missing, column)])}")


def as_root(line: list[str]) -> str:
    """The command a person would type to run ``line`` as root, with apt's package lists fetched before."""
    lines = [shlex.join(line)]
    if line[0] == "apt-get":
        lines = ["apt-get update", *lines]
    if os.geteuid() == 0:
        return " && ".join(lines)
    if shutil.which("sudo"):
        return " && ".join(f"sudo {one}" for one in lines)
    return f"su - -c {shlex.quote(' && '.join(lines))}"


# --- the virtual environment ----------------------------------------------------------------------------------------


def python_in(venv: Path) -> Path:
    return venv / ("Scripts/python.exe" if WINDOWS else "bin/python")


def fingerprint() -> str:
    """What an installation depends on. Settings of ruff, pytest and their like are left out on purpose."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    build = [project["build-system"], project["project"], project["tool"]["hatch"]]
    parts = [
        json.dumps(build, sort_keys=True),
        (ROOT / CONSTRAINTS).read_text(encoding="utf-8"),
        f"{sys.version_info[:2]} {ROOT}",  # a virtual environment cannot be moved
    ]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def read_stamp() -> dict[str, Any]:
    try:
        stamp = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def ensure_installed(*extras: str) -> Path:
    """Return the interpreter of .venv with benchkit and at least these extras installed in it."""
    if not is_installed(extras):
        with alone():
            if not is_installed(extras):  # who was waited for may have done it
                install(extras)
    return python_in(VENV)


def is_installed(extras: tuple[str, ...]) -> bool:
    stamp = read_stamp()
    is_fresh = stamp.get("fingerprint") == fingerprint() and python_in(VENV).exists()
    return is_fresh and set(stamp.get("extras", ())) >= set(extras)


def install(extras: tuple[str, ...]) -> None:
    """Make .venv where it is missing or another Python's, and install these extras beside those that are there."""
    python, wanted, stamp = python_in(VENV), fingerprint(), read_stamp()
    there = set(stamp.get("extras", ())) if stamp.get("fingerprint") == wanted else set()
    prepare_system()
    made_for = f"{sys.version_info.major}.{sys.version_info.minor} {ROOT}"
    if stamp.get("made_for") != made_for or not python.exists():
        say("Making the virtual environment .venv")
        run_or_exit([sys.executable, "-m", "venv", "--clear", str(VENV)])
    extras = tuple(sorted(there | set(extras)))
    write_stamp(made_for=made_for)  # an installation that is cut short is taken up again, not started anew
    pip_install(python, ["-c", str(CONSTRAINTS), "-e", f".[{','.join(extras)}]"])
    write_stamp(made_for=made_for, fingerprint=wanted, extras=extras)


@contextlib.contextmanager
def alone() -> Iterator[None]:
    """Keep other calls of run.py from installing meanwhile. The system lets go of the lock when this process ends."""
    with LOCK.open("ab") as file:  # beside .venv, which is made anew
        if not takes_lock(file):
            say("Another run.py is installing; waiting for it.")
            while not takes_lock(file):
                time.sleep(0.2)
        yield


def takes_lock(file: BinaryIO) -> bool:
    """Lock an open file; False while another process has it. A file system without locks is taken as ours alone."""
    try:
        if sys.platform == "win32":
            import msvcrt

            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
    return True


def write_stamp(**what: object) -> None:
    STAMP.write_text(json.dumps(what), encoding="utf-8")


def pip_install(python: Path, what: list[str]) -> None:
    say("Installing benchkit and the libraries it stands on (first time: a minute or a few)")
    begin = time.monotonic()
    line = [str(python), "-m", "pip", "install", *what]
    settings = {"PIP_USER": "0", "PIP_NO_INPUT": "1", "PIP_DISABLE_PIP_VERSION_CHECK": "1"}
    last: list[str] = []
    pip = subprocess.Popen(
        line, cwd=ROOT, env=os.environ | settings, text=True, encoding="utf-8", errors="replace",
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    with pip, LOG.open("w", encoding="utf-8") as log:
        for text in pip.stdout or ():
            log.write(text)
            last = [*last[-11:], text.rstrip()]
            if sys.stdout.isatty() and text.startswith(("Collecting ", "Installing ")):
                print(f"\r  {text[:60].strip():<60}", end="", flush=True)
    if sys.stdout.isatty():
        print(f"\r{'':62}\r", end="")
    if pip.returncode:
        say("  " + "\n  ".join(last))
        sys.exit(f"pip could not install the libraries (its last words are above, all of them in {LOG}).")
    say(f"  done in {time.monotonic() - begin:.0f} s")


# --- commands -------------------------------------------------------------------------------------------------------


def run(line: list[str], **environment: str) -> int:
    """Run a program in the project's folder; its exit code, 128 + signal number when a signal ended it."""
    child = subprocess.Popen(line, cwd=ROOT, env=os.environ | environment)
    signal.signal(signal.SIGTERM, lambda *_: child.terminate())  # who ends run.py means what it runs
    while True:
        try:
            code = child.wait()
        except KeyboardInterrupt:
            continue  # the terminal sent it to the child as well, which closes its files and ends
        return code if code >= 0 else 128 - code


def run_or_exit(line: list[str]) -> None:
    code = run(line)
    if code:
        sys.exit(code)


def demo(arguments: list[str]) -> int:
    """drive the simulated stand, record, trip, analyse and write a report into demo_out"""
    python = ensure_installed("gui")
    return run([str(python), "-m", "benchkit", "demo", "--out", "demo_out", *arguments])


def pytest(marks: list[str], arguments: list[str]) -> int:
    python = ensure_installed("gui", "dev")
    missing = missing_for_qt()
    if missing:
        marks = [*marks, "-p", "no:pytest-qt", "--ignore=tests/gui"]
    # With the variable empty, Python keeps what it has compiled: the tests, rewritten by pytest at some cost, and the
    # modules that each of the hundreds of child processes of the tests would otherwise compile anew.
    keep = {"PYTHONDONTWRITEBYTECODE": ""}
    # Two test processes on two cores: more threads in each of them only wait for one another.
    keep |= dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    code = run([str(python), "-m", "pytest", *marks, *arguments], QT_QPA_PLATFORM="offscreen", **keep)
    if missing:
        say(f"Left out: tests of the dashboard, because Qt lacks {', '.join(row[0] for row in missing)}.")
        say_how_to_get(missing)
    return code


def test(arguments: list[str]) -> int:
    """run the test suite in two processes; further arguments go to pytest"""
    # the files in the order of tests/conftest.py, slow ones first; xdist would begin with those of many tests
    return pytest(["-n", "2", "--dist", "loadfile", "--no-loadscope-reorder"], arguments)


def soak(arguments: list[str]) -> int:
    """run the long tests; further arguments go to pytest"""
    return pytest(["-m", "soak", "--timeout", "3600"], arguments)


def bench(arguments: list[str]) -> int:
    """measure speed; --only NAME for one benchmark, --json for a program to read"""
    python = ensure_installed("gui", "dev")
    return run([str(python), "-m", "tests.bench", *arguments], QT_QPA_PLATFORM="offscreen")


def docs(arguments: list[str]) -> int:
    """write pictures and generated pages of docs/ anew, and build the site; --keep-pictures leaves the pictures"""
    python = ensure_installed("gui", "dev")
    return run([str(python), str(Path("docs") / "make.py"), *arguments], QT_QPA_PLATFORM="offscreen")


def lint(arguments: list[str]) -> int:
    """check style, format, types and layers; every checker runs, also after a failure"""
    if arguments:
        say(f"lint takes no arguments (got {shlex.join(arguments)})")
        return 2
    python = ensure_installed("gui", "dev")
    module = [str(python), "-m"]
    checkers = {
        "ruff check": [*module, "ruff", "check", "."],
        "ruff format": [*module, "ruff", "format", "--check", "."],
        "mypy": [*module, "mypy"],
        "mypy run.py": [*module, "mypy", "run.py"],
        "lint-imports": [str(python.with_name("lint-imports.exe" if WINDOWS else "lint-imports"))],
    }
    failed = []
    for name, line in checkers.items():
        say(f"-- {name}")
        if run(line):
            failed.append(name)
    say(f"lint: {', '.join(failed)} failed" if failed else "lint: all clean")
    return 1 if failed else 0


def pin(arguments: list[str]) -> int:
    """write shared/constraints.txt anew: name the interpreters, as in: pin python3.11 python3.12 python3.13"""
    if not arguments:
        say(f"pin needs one interpreter per Python version ({pin.__doc__})")
        return 2
    found: dict[str, dict[str, str]] = {}  # package -> Python version -> package version
    pythons = []
    for python in arguments:
        version = subprocess.check_output(
            [python, "-c", "import sys; print('%d.%d' % sys.version_info[:2])"], text=True
        ).strip()
        say(f"Resolving for Python {version}")
        pythons.append(version)
        with tempfile.TemporaryDirectory() as folder:
            report = Path(folder) / "report.json"
            options = ["--dry-run", "--ignore-installed", "--quiet", "--report", str(report)]
            run_or_exit([python, "-m", "pip", "install", *options, "-e", ".[gui,dev]"])
            for item in json.loads(report.read_text(encoding="utf-8"))["install"]:
                name, number = item["metadata"]["name"], item["metadata"]["version"]
                if name.lower() != "benchkit":
                    found.setdefault(name, {})[version] = number
    lines = [
        "# Tested versions of everything benchkit stands on, directly or not. Written by 'python3 run.py pin'.",
        *pinned_lines(found, sorted(pythons, key=lambda text: int(text.split(".")[1]))),
    ]
    (ROOT / CONSTRAINTS).write_text("\n".join(lines) + "\n", encoding="utf-8")
    say(f"{CONSTRAINTS}: {len(found)} packages")
    return 0


def pinned_lines(found: dict[str, dict[str, str]], pythons: list[str]) -> list[str]:
    """One line per package and version; a marker where Python versions differ."""
    lines = []
    for name in sorted(found, key=str.lower):
        for number in dict.fromkeys(found[name].values()):
            where = [python for python in pythons if found[name].get(python) == number]
            markers = [] if where[0] == pythons[0] else [f"python_version >= '{where[0]}'"]
            if where[-1] != pythons[-1]:
                after = pythons[pythons.index(where[-1]) + 1]
                markers.append(f"python_version < '{after}'")
            lines.append(f"{name}=={number}" + ("; " + " and ".join(markers) if markers else ""))
    return lines


COMMANDS = {work.__name__: work for work in (demo, test, soak, bench, docs, lint, pin)}


def main(arguments: list[str]) -> int:
    if arguments and arguments[0] in COMMANDS:
        return COMMANDS[arguments[0]](arguments[1:])
    asked = bool(arguments) and arguments[0] in ("-h", "--help", "help")
    if arguments and not asked:
        say(f"run.py: there is no command {arguments[0]!r}.")
    say("python3 run.py COMMAND [arguments]")
    for name, work in COMMANDS.items():
        say(f"  {name:6} {work.__doc__}")
    return 0 if asked else 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
