"""The commands of docs/howto/prove.md, run in their order as they stand: device, recorder and requests are real."""

from __future__ import annotations

import re
import shlex
import shutil
import time
from pathlib import Path

import pytest

from benchkit.cli.main import main
from benchkit.model.events import EventKind
from benchkit.profiles import shared_path
from benchkit.runfile.reader import open_run
from benchkit.session.process import start_recorder, start_simulated_stand

PAGE = (Path(__file__).parents[2] / "docs" / "howto" / "prove.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^benchkit (.*)$", PAGE, flags=re.MULTILINE)
(CONDITIONS,) = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
CHECKLIST = '[start_conditions.checklist]\nguards = "Guards closed"\npeople = "Nobody in the cell"\n'
PORT = "rack=/dev/ttyUSB0"


def test_the_page_from_proof_to_checklist(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHKIT_CONFIG", str(tmp_path / "config"))
    shutil.copy(shared_path("stands", "airboat.toml"), tmp_path)
    stand = f'[profile]\nbase = "airboat.toml"\n{CONDITIONS}\n{CHECKLIST}'
    (tmp_path / "my_stand.toml").write_text(stand, encoding="utf-8")
    rehearse, prove, new_key, verify, record, *checks = COMMANDS
    assert main(shlex.split(rehearse)) == 0
    device = start_simulated_stand("my_stand.toml")
    try:
        here = f"rack={device.address}"
        assert main(shlex.split(prove.replace(PORT, here))) == 0
        assert main(shlex.split(new_key)) == 0  # a record keeps the key that it was signed with
        command, name, *options = shlex.split(record.replace(PORT, here))
        assert command == "record"
        # a rehearsal against the simulated stand is none for this run
        capsys.readouterr()
        refused = [option.replace("proof.json", "rehearsal.json") for option in options]
        assert main([command, name, *refused, "--quiet"]) == 6
        assert "the real stop path has not been shown" in capsys.readouterr().err
        child, endpoints = start_recorder(name, "runs", (*options, "--quiet"))
        try:
            time.sleep(2.5)  # the checks look at two seconds
            for check in checks:
                assert main(shlex.split(check)) == 0, check
            assert main(["ask", "runs", "arm", "--who", "Ada Reed"]) == 0
        finally:
            child.end()
    finally:
        device.end()
    (known,) = re.findall(r"```text\n(# keys.txt.*?)```", PAGE, flags=re.DOTALL)
    (tmp_path / "keys.txt").write_text(known, encoding="utf-8")
    assert (
        main(shlex.split(verify.replace("runs/*.h5", str(endpoints.run_path)))) == 4
    )  # proven with a key of this test
    with open_run(Path(endpoints.run_path)) as run:
        kinds = [event.kind for event in run.events()]
    assert kinds.count(EventKind.PRE_RUN_CHECK) == 3
    assert kinds.count(EventKind.PROOF) == kinds.count(EventKind.CHECKLIST) == 1
