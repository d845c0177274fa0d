"""Keys for dashboards on other machines: who may watch, who may command.

The stand has one key pair. Every dashboard on another machine has one of its own, with a name and a grant: ``watch``
sees everything and commands nothing, ``control`` may ask what a dashboard at the stand may ask. Pairs are those of
CURVE (Curve25519); written as 64 hexadecimal digits. In the folder of the stand lie

``stand.key``   the pair of the stand, for its owner alone to read
``known.txt``   a line a key: public half, grant, name

and a dashboard takes a **pass** with it: its own pair, the public half of the stand's, and the addresses. Whoever has
the pass has the grant; a pass that is lost is withdrawn.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import zmq
from zmq.utils import z85

from benchkit.errors import UsageError, did_you_mean
from benchkit.session.key_lists import entries

STAND_KEY = "stand.key"
KNOWN = "known.txt"
PASS_SUFFIX = ".pass.json"  # noqa: S105 - the end of a file name
_WHAT_STAND, _WHAT_PASS = "benchkit key of a stand", "benchkit pass of a dashboard"
_HEX = re.compile(r"[0-9a-fA-F]{64}")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,39}")
_LINE = re.compile(r"([0-9a-fA-F]{64})\s+(watch|control)\s+(\S.*)")


class Grant(StrEnum):
    """What a key may do."""

    WATCH = "watch"
    CONTROL = "control"


@dataclass(frozen=True, slots=True)
class Pair:
    """A CURVE key pair, each half as 64 hexadecimal digits."""

    public: str
    secret: str


@dataclass(frozen=True, slots=True)
class ViewerKeys:
    """What a dashboard needs to reach a recorder that asks for keys."""

    public: str
    secret: str
    stand_public: str


@dataclass(frozen=True, slots=True)
class Known:
    """One key that the stand knows, by its public half."""

    public: str
    grant: Grant
    name: str


@dataclass(frozen=True, slots=True)
class Keyring:
    """The pair of a stand and the keys that it knows, by public half."""

    stand: Pair
    known: Mapping[str, Known]


def new_pair() -> Pair:
    """A new key pair."""
    public, secret = zmq.curve_keypair()
    return Pair(hex_of(public), hex_of(secret))


def hex_of(text: bytes) -> str:
    """64 hexadecimal digits of a key as ZeroMQ writes it (Z85)."""
    return z85.decode(text).hex()


def curve_text(digits: str) -> bytes:
    """A key as ZeroMQ takes it (Z85), from 64 hexadecimal digits."""
    return z85.encode(bytes.fromhex(digits))


def make_stand_key(folder: Path) -> Pair:
    """Make the pair of a stand in ``folder``, with an empty list of known keys.

    Raises:
        UsageError: there is one already. It is not replaced: every pass would be worth nothing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pair = new_pair()
    path = folder / STAND_KEY
    try:
        write_secret(path, {"what": _WHAT_STAND, **asdict(pair)})
    except FileExistsError:
        raise UsageError(
            "this stand has a key already",
            where=str(path),
            remedy="Grant passes with it. To begin anew, move the folder away: every pass of it is then worth nothing.",
        ) from None
    known = folder / KNOWN
    if not known.exists():
        known.write_text("# Keys of dashboards on other machines: public half, watch or control, name\n", "utf-8")
    return pair


def read_keyring(folder: Path) -> Keyring:
    """The keys in ``folder``.

    Raises:
        UsageError: a file is missing, can be read by others, or is not understood; the message names the line.
    """
    path = folder / STAND_KEY
    body = _read(path, _WHAT_STAND, "benchkit keys FOLDER --new makes one.")
    pair = Pair(_key(body, "public", path), _key(body, "secret", path))
    return Keyring(pair, read_known(folder / KNOWN))


def read_known(path: Path) -> dict[str, Known]:
    """Public half -> key of every line.

    Raises:
        UsageError: it cannot be read, or a line is not understood.
    """
    found: dict[str, Known] = {}
    try:
        listed = list(entries(path, "the list of known keys"))
    except FileNotFoundError:
        return {}
    for number, text in listed:
        match = _LINE.fullmatch(text)
        if match is None:
            raise UsageError(
                "not a key",
                where=f"{path}: line {number}",
                got=text[:90],
                expected="64 hexadecimal digits, watch or control, and a name",
                remedy="benchkit keys FOLDER --grant NAME writes such a line.",
            )
        found[match[1].lower()] = Known(match[1].lower(), Grant(match[2]), match[3].strip())
    return found


def grant_pass(folder: Path, name: str, grant: Grant, public: str = "") -> tuple[Known, ViewerKeys | None]:
    """Let a key in: a new pair, or the one whose ``public`` half somebody sent; None for its keys then.

    Raises:
        UsageError: not a name or a key, or there is one of that name.
    """
    if not _NAME.fullmatch(name):
        raise UsageError("not a name for a key", got=name, expected="letters, digits, space . _ -, at most 40")
    if public and not _HEX.fullmatch(public):
        raise UsageError("not the public half of a key", got=public[:70], expected="64 hexadecimal digits")
    ring = read_keyring(folder)
    if any(one.name == name for one in ring.known.values()):
        raise UsageError(
            "a key of that name is known",
            where=str(folder / KNOWN),
            got=name,
            remedy="Withdraw it, or name this other.",
        )
    pair = None if public else new_pair()
    known = Known(public.lower() if pair is None else pair.public, grant, name)
    if known.public in ring.known:
        raise UsageError("this key is known already", got=f"as {ring.known[known.public].name}")
    with (folder / KNOWN).open("a", encoding="utf-8") as file:
        file.write(f"{known.public} {known.grant.value} {known.name}\n")
    return known, None if pair is None else ViewerKeys(pair.public, pair.secret, ring.stand.public)


def withdraw(folder: Path, name: str) -> Known:
    """Take a key out of the list; recorders that run notice within a second, and cut off who came with it.

    Raises:
        UsageError: no key of that name.
    """
    path = folder / KNOWN
    known = read_known(path)
    one = next((k for k in known.values() if k.name == name), None)
    if one is None:
        names = [k.name for k in known.values()]
        raise UsageError("no key of that name", where=str(path), got=name, remedy=did_you_mean(name, names))
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    part = path.with_name(path.name + ".part")
    part.write_text("".join(x for x in lines if not x.strip().lower().startswith(one.public)), encoding="utf-8")
    part.replace(path)
    return one


def write_pass(path: Path, known: Known, keys: ViewerKeys, publish: str, request: str) -> None:
    """Write a pass, for its owner alone to read; what is there already is not overwritten.

    Raises:
        UsageError: the file exists.
    """
    body = {"what": _WHAT_PASS, "name": known.name, "grant": known.grant.value, **asdict(keys)}
    try:
        write_secret(path, {**body, "publish": publish, "request": request})
    except FileExistsError:
        raise UsageError("there is a file of that name", where=str(path), remedy="Give another one: --out") from None


def read_pass(path: Path) -> tuple[str, str, ViewerKeys]:
    """Addresses (published, requests) and keys of a pass.

    Raises:
        UsageError: missing, readable by others, or no pass.
    """
    body = _read(path, _WHAT_PASS, "benchkit keys FOLDER --grant NAME makes one.")
    keys = ViewerKeys(_key(body, "public", path), _key(body, "secret", path), _key(body, "stand_public", path))
    return str(body.get("publish", "")), str(body.get("request", "")), keys


def viewer_keys_from(body: Any) -> ViewerKeys | None:
    """The keys in a live file; None where it has none. Raises KeyError or TypeError for another form."""
    return None if body is None else ViewerKeys(str(body["public"]), str(body["secret"]), str(body["stand_public"]))


def write_secret(path: Path, body: Mapping[str, Any]) -> None:
    """Write JSON that others cannot read, not even for a moment. Raises ``FileExistsError``."""
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(json.dumps(body, indent=1) + "\n")


def _read(path: Path, what: str, remedy: str) -> dict[str, Any]:
    try:
        if sys.platform != "win32" and path.stat().st_mode & 0o077:
            raise UsageError(
                "others can read this key", where=str(path), expected="mode 600", remedy=f"chmod 600 {path}"
            )
        body = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError("no key here", where=str(path), got=error.strerror, remedy=remedy) from None
    except ValueError:
        body = None
    if not isinstance(body, dict) or body.get("what") != what:
        raise UsageError("not a key file", where=str(path), expected=what, remedy=remedy)
    return body


def _key(body: Mapping[str, Any], name: str, path: Path) -> str:
    text = body.get(name)
    if not isinstance(text, str) or not _HEX.fullmatch(text):
        raise UsageError(f"no {name} key in it", where=str(path), expected="64 hexadecimal digits")
    return text.lower()
