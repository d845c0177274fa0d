"""Every change of a pack or of a signed file is named."""

from __future__ import annotations

import json
import shutil
import struct
from collections.abc import Callable
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile

import pytest

from benchkit.cli.main import main
from benchkit.errors import DataError
from benchkit.evidence import check as check_module
from benchkit.evidence.check import CheckedFile, Fault, check_pack, check_signed
from benchkit.evidence.signature import read_signature, sign_file, signature_text
from benchkit.evidence.sums import parse_sums, sums_text
from benchkit.session.signing import load_pair, make_key

Members = dict[str, bytes]


def members_of(pack: Path) -> Members:
    with ZipFile(pack) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def zipped(members: Members, out: Path, method: int = 0) -> Path:
    with ZipFile(out, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out


def flipped(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def faults(found: CheckedFile) -> set[tuple[str, Fault]]:
    return {(fault.file, fault.fault) for fault in found.faults}


def test_a_pack_as_made_is_whole(pack: Path, inputs: Path) -> None:
    found = check_pack(pack)
    assert found.is_good
    assert found.fingerprint == load_pair(inputs / "key.pem").fingerprint
    assert [(run.file, run.verdict) for run in found.runs] == [("runs/A/propeller.h5", "whole")]


def test_one_changed_byte_of_any_file_is_named(pack: Path, tmp_path: Path) -> None:
    """Over every member: first, middle and last byte, in a zip whose own checksums fit."""
    members = members_of(pack)
    assert len(members) == 17
    for name, data in members.items():
        for at in {0, len(data) // 2, len(data) - 1}:
            found = check_pack(zipped(members | {name: flipped(data, at)}, tmp_path / "changed.zip"))
            assert name in {fault.file for fault in found.faults}, (name, at)
            if name != "SHA256SUMS":  # another hash in the list is also a file that does not fit it
                assert {fault.file for fault in found.faults} == {name}, (name, at)


def test_one_changed_byte_inside_the_zip_is_named(pack: Path, tmp_path: Path) -> None:
    """In the file as it lies on the disk, where the zip's own checksum does not fit either."""
    whole = pack.read_bytes()
    with ZipFile(pack) as archive:
        entries = archive.infolist()
    for entry in entries:
        # local header: 30 bytes, then name and extra field, whose lengths stand at 26 and 28 (APPNOTE 4.3.7)
        name, extra = struct.unpack_from("<HH", whole, entry.header_offset + 26)
        at = entry.header_offset + 30 + name + extra + entry.file_size // 3
        (tmp_path / "changed.zip").write_bytes(flipped(whole, at))
        found = check_pack(tmp_path / "changed.zip")
        assert entry.filename in {fault.file for fault in found.faults}


def test_every_byte_of_the_list_and_of_the_signature_counts(
    pack: Path,
) -> None:
    members = members_of(pack)
    listing, signature = members["SHA256SUMS"], members["SHA256SUMS.sig"]
    for at in range(len(signature)):
        with pytest.raises(DataError, match="signature"):
            read_signature(flipped(signature, at), where="x")
    hashes = parse_sums(listing)
    for at in range(len(listing)):
        try:
            assert parse_sums(flipped(listing, at)) != hashes
        except DataError as error:
            assert "SHA256SUMS" in str(error)  # noqa: PT017 - either of the two is right
    assert sums_text(hashes).encode() == listing


@pytest.mark.parametrize("name", ["runs/A/propeller.h5", "report/report.pdf", "pack.json", "SHA256SUMS",
                                  "SHA256SUMS.sig", "README.txt"])  # fmt: skip
def test_a_missing_file_is_named(pack: Path, tmp_path: Path, name: str) -> None:
    members = members_of(pack)
    del members[name]
    found = check_pack(zipped(members, tmp_path / "pack.zip"))
    assert (name, Fault.MISSING) in faults(found)
    assert {fault.file for fault in found.faults} == {name}


def test_extra_and_unsafe_files_are_named(pack: Path, tmp_path: Path) -> None:
    out = zipped(members_of(pack) | {"runs/A/more.h5": b"x", "../outside": b"y"}, tmp_path / "pack.zip")
    found = faults(check_pack(out))
    assert {("runs/A/more.h5", Fault.EXTRA), ("../outside", Fault.EXTRA)} <= found
    shutil.copy(pack, out)
    with ZipFile(out, "a") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("README.txt", b"another")
    assert ("README.txt", Fault.EXTRA) in faults(check_pack(out))


def test_a_pack_zipped_anew_by_another_program_is_whole(pack: Path, tmp_path: Path) -> None:
    assert check_pack(zipped(members_of(pack), tmp_path / "pack.zip", ZIP_DEFLATED)).is_good


def replaced(members: Members, key: Path, changed: Members) -> Members:
    """A pack made up anew: checksums and signature fit what was changed."""
    held = {name: data for name, data in (members | changed).items() if not name.startswith("SHA256SUMS")}
    listing = sums_text({name: check_module.sha256_of_bytes(data) for name, data in held.items()}).encode()
    signature = signature_text("SHA256SUMS", check_module.sha256_of_bytes(listing), key).encode()
    return held | {"SHA256SUMS": listing, "SHA256SUMS.sig": signature}


def test_a_pack_signed_anew_by_another_key_is_told_by_its_fingerprint(
    pack: Path, inputs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make_key(tmp_path / "other.pem")
    forged = zipped(replaced(members_of(pack), tmp_path / "other.pem", {"plan/plan.md": b"!"}), tmp_path / "pack.zip")
    ours = load_pair(inputs / "key.pem").fingerprint
    assert check_pack(forged).is_good  # which is why the fingerprint must be compared
    assert faults(check_pack(forged, ours[:16])) == {("SHA256SUMS.sig", Fault.SIGNATURE)}
    assert main(["verify", str(pack), "--signed-by", ours]) == 0
    assert main(["verify", str(forged), "--signed-by", ours]) == 4
    assert main(["verify", str(forged), "--signed-by", "12"]) == 2
    assert "at least 16 hexadecimal digits" in capsys.readouterr().err


def test_a_changed_run_is_found_by_its_content_where_all_checksums_fit(
    pack: Path, inputs: Path, tmp_path: Path, edited: Callable[[bytes], bytes]
) -> None:
    members = members_of(pack)
    name = "runs/A/propeller.h5"
    out = zipped(replaced(members, inputs / "key.pem", {name: edited(members[name])}), tmp_path / "pack.zip")
    found = check_pack(out)
    assert faults(found) == {(name, Fault.DIFFERS)}
    assert found.runs[0].verdict == "differs"


@pytest.fixture
def edited(tmp_path: Path) -> Callable[[bytes], bytes]:
    """A run with one thrust changed by a program that knows the format."""
    import h5py

    def edit(data: bytes) -> bytes:
        path = tmp_path / "edited.h5"
        path.write_bytes(data)
        with h5py.File(path, "r+") as file:
            file["streams/rack/values"][7, 3] += 1.0
        return path.read_bytes()

    return edit


def test_a_report_about_another_run_is_named(pack: Path, inputs: Path, tmp_path: Path) -> None:
    members = members_of(pack)
    body = json.loads(members["report/report.json"])
    body["runs"][0]["content_sha256"] = "0" * 64
    changed = {"report/report.json": json.dumps(body).encode()}
    out = zipped(replaced(members, inputs / "key.pem", changed), tmp_path / "pack.zip")
    assert faults(check_pack(out)) == {("report/report.json", Fault.DIFFERS)}


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"not a zip at all" * 100])
def test_what_is_no_pack_is_said_and_raises_nothing(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "pack.zip"
    path.write_bytes(data)
    assert faults(check_pack(path)) == {("pack.zip", Fault.UNREADABLE)}
    assert faults(check_pack(tmp_path / "none.zip")) == {("none.zip", Fault.UNREADABLE)}


def test_a_torn_pack_raises_nothing(pack: Path, tmp_path: Path) -> None:
    whole = pack.read_bytes()
    (tmp_path / "pack.zip").write_bytes(whole[: len(whole) // 2])
    assert not check_pack(tmp_path / "pack.zip").is_good


def test_the_command_names_faults_and_ends_with_four(
    pack: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    members = members_of(pack)
    changed = zipped(members | {"plan/plan.md": b"Four speeds.\n"}, tmp_path / "changed.zip")
    assert main(["verify", str(pack), str(changed)]) == 4
    out = capsys.readouterr().out
    assert f"{pack}: whole, evidence pack, 17 files" in out
    assert "changed: plan/plan.md: SHA-256" in out
    assert main(["verify", str(changed), "--json"]) == 4
    (told,) = json.loads(capsys.readouterr().out)
    assert [(f["file"], f["fault"]) for f in told["faults"]] == [("plan/plan.md", "changed")]
    assert told["good"] is False


# ------------------------------------------------------------------------------------------- signed files
@pytest.fixture
def signed(inputs: Path, tmp_path: Path) -> Path:
    path = tmp_path / "report.pdf"
    path.write_bytes(b"%PDF-1.4 a report of the airboat")
    assert sign_file(path, inputs / "key.pem").name == "report.pdf.sig"
    return path


def test_a_signed_file_is_whole_and_signed_again_the_same(signed: Path, inputs: Path) -> None:
    first = signed.with_name("report.pdf.sig").read_bytes()
    sign_file(signed, inputs / "key.pem")
    assert signed.with_name("report.pdf.sig").read_bytes() == first  # RFC 8032: Ed25519 is deterministic
    assert check_signed(signed).is_good
    assert main(["verify", str(signed), f"{signed}.sig"]) == 0


def test_a_changed_a_renamed_and_an_unsigned_file_are_told(signed: Path) -> None:
    beside = signed.with_name("report.pdf.sig")
    whole = signed.read_bytes()
    for at in range(len(whole)):
        signed.write_bytes(flipped(whole, at))
        assert faults(check_signed(signed)) == {("report.pdf", Fault.CHANGED)}
    signed.write_bytes(whole)
    other = signed.with_name("other.pdf")
    shutil.copy(signed, other)
    shutil.copy(beside, other.with_name("other.pdf.sig"))
    assert faults(check_signed(other)) == {("other.pdf.sig", Fault.SIGNATURE)}
    beside.unlink()
    assert faults(check_signed(signed)) == {("report.pdf.sig", Fault.MISSING)}
    assert main(["verify", str(signed)]) == 4


def test_a_run_carries_no_signature(inputs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(inputs / "propeller.h5"), "--signed-by", "0" * 16]) == 2
    assert "a run carries no signature" in capsys.readouterr().err
