"""A call for help answers at once: the heavy libraries wait until they are needed."""

from __future__ import annotations

import re
import subprocess
import sys

HEAVY = {"numpy", "scipy", "h5py", "pydantic", "zmq", "serial", "matplotlib", "jinja2", "tqdm", "PySide6", "pyqtgraph"}


def test_help_imports_none_of_the_heavy_libraries() -> None:
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "benchkit", "--help"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "record" in done.stdout
    imported = set(re.findall(r"^import time:.*\|\s+([\w.]+)$", done.stderr, flags=re.MULTILINE))
    assert "argparse" in imported
    assert not {name.split(".")[0] for name in imported} & HEAVY
