"""Editing a profile value by value: whatever is edited, nothing else changes by a single character."""

from __future__ import annotations

import datetime as dt
import shutil
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import ProfileError, UsageError
from benchkit.profiles import document, load_stand, shared_path
from benchkit.profiles.document import Leaf
from benchkit.profiles.toml_text import comments, literal, places, put, remove

STANDS = sorted(path.name for path in shared_path("stands").glob("*.toml"))


@cache
def text_of(name: str) -> str:
    return shared_path("stands", name).read_bytes().decode()


@cache
def leaves_of(name: str) -> tuple[Leaf, ...]:
    """Every value that the file itself has."""
    return document.leaves(text_of(name), {}, ())


VALUES: st.SearchStrategy[Any] = st.one_of(
    st.booleans(),
    st.integers(-(2**40), 2**40),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=40),
    st.dates(dt.date(2000, 1, 1), dt.date(2099, 12, 31)),
    st.lists(st.floats(-1e6, 1e6), max_size=4),
    st.just("# no comment ] } \" ' \\ \n"),
)


@given(st.sampled_from(STANDS), st.integers(0, 10**6), VALUES, st.booleans())
@settings(max_examples=60, deadline=None)
def test_editing_any_field_keeps_every_comment_the_order_and_all_else(
    name: str, which: int, value: Any, has_crlf: bool
) -> None:
    leaves = leaves_of(name)
    leaf = leaves[which % len(leaves)]
    text = text_of(name).replace("\n", "\r\n") if has_crlf else text_of(name)
    after = put(text, leaf.key, value)
    before, now = places(text).values, places(after).values
    start, end = before[leaf.key]
    # outside of the value not a character is another
    assert after[:start] == text[:start]
    assert after[start + len(literal(value)) :] == text[end:]
    assert comments(after) == comments(text)
    assert [key for key in now if key in before] == [key for key in before if key in now]
    holder: Any = tomllib.loads(after)
    for part in leaf.key:
        holder = holder[part]
    assert holder == value


@pytest.mark.parametrize("name", STANDS)
def test_every_value_is_found_where_it_is(name: str) -> None:
    text = text_of(name)
    found = places(text)
    assert leaves_of(name)
    for leaf in leaves_of(name):
        start, end = found.values[leaf.key]
        assert tomllib.loads(f"x = {text[start:end]}")["x"] == leaf.value


ODD = """\
# top "quoted" # comment
title = 'a # b'  # first
"quoted.key" = 1
a.b.c = 2 # dotted
[t]   # head
inline = { x = 1, "y z" = { deep = [1, 2] } }   # inline
many = [ # why
  1, # one
  2,
]
when = 2026-03-02 10:00:00
text = \"\"\"
[not.a.table] # not a comment
\"\"\"

[[list]]
v = 1 # in the list
[[list]]
v = 2
[list.sub]
w = 3
"""


@pytest.mark.parametrize(
    ("key", "value", "old", "new"),
    [
        (("title",), "x", "title = 'a # b'  # first", 'title = "x"  # first'),
        (("quoted.key",), 5, '"quoted.key" = 1', '"quoted.key" = 5'),
        (("a", "b", "c"), 7, "a.b.c = 2 # dotted", "a.b.c = 7 # dotted"),
        (("t", "inline", "x"), 9, "x = 1,", "x = 9,"),
        (("t", "inline", "y z", "deep", 1), 9, "[1, 2]", "[1, 9]"),
        (("t", "many", 0), 9, "  1, # one", "  9, # one"),
        (("t", "when"), dt.date(2026, 4, 1), "when = 2026-03-02 10:00:00", "when = 2026-04-01"),
        (("list", 0, "v"), 8, "v = 1 # in the list", "v = 8 # in the list"),
        (("list", 1, "v"), 8, "v = 2", "v = 8"),
        (("list", 1, "sub", "w"), 4, "w = 3", "w = 4"),
        (("t", "inline", "new"), True, "} }   # inline", "}, new = true }   # inline"),
        (("t", "new"), 1.5, '"""\n\n[[list]]', '"""\nnew = 1.5\n\n[[list]]'),
        (("fresh", "key"), 1, "w = 3\n", "w = 3\n\n[fresh]\nkey = 1\n"),
    ],
)
def test_odd_forms(key: tuple[Any, ...], value: Any, old: str, new: str) -> None:
    assert ODD.count(old) == 1
    assert put(ODD, key, value) == ODD.replace(old, new)


@pytest.mark.parametrize("key", [("t", "many"), ("title", "below"), ("a", "b")])
def test_what_would_touch_more_is_refused_with_the_line_to_write(key: tuple[str, ...]) -> None:
    with pytest.raises(UsageError, match=rf"cannot be changed without touching more.*{key[-1]} = 1"):
        put(ODD, key, 1)


def test_comments_inside_a_value_may_go_where_that_is_asked_for() -> None:
    after = put(ODD, ("t", "many"), [1], may_drop_inner=True)
    assert comments(after) == tuple(c for c in comments(ODD) if c not in ("# why", "# one"))


def test_comments_are_those_outside_of_strings() -> None:
    assert comments(ODD) == (
        '# top "quoted" # comment', "# first", "# dotted", "# head", "# inline", "# why", "# one", "# in the list",
    )  # fmt: skip


def test_a_table_is_taken_out_with_its_lines_alone() -> None:
    text = text_of("airboat.toml")
    after = remove(text, ("channels", "vibration"))
    assert "vibration" not in tomllib.loads(after)["channels"]
    lines = text.splitlines(keepends=True)
    start = next(i for i, line in enumerate(lines) if line.startswith("[channels.vibration]"))
    stop = next(i for i in range(start + 1, len(lines)) if not lines[i].strip() or lines[i].startswith(("[", "#")))
    assert after == "".join(lines[:start] + lines[stop:])
    with pytest.raises(UsageError, match="cannot be changed"):
        remove(text, ("channels", "none"))


def test_no_toml_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match="not TOML"):
        put("a = ", ("a",), 1)


# -------------------------------------------------------------------------------- the document of the editor
def test_what_only_the_base_has_is_written_into_the_file_and_overrides(tmp_path: Path) -> None:
    for name in STANDS:
        shutil.copy(shared_path("stands", name), tmp_path / name)
    path = tmp_path / "airboat_small.toml"
    text, whole = document.read_text(path), document.resolved(path)
    leaf = next(x for x in document.leaves(text, whole, ("channels", "shaft_torque")) if x.key[-1] == "constant")
    assert not leaf.is_own
    after = document.with_value(text, leaf.key, 0.5, whole)
    assert comments(after) == comments(text)
    assert document.faults(path, text, after) == ()
    document.save(path, text, after)
    assert load_stand(path).stand.channels["shaft_torque"].calibration.accuracy.constant == 0.5
    # a table with a kind is replaced whole by one of its own, with all that was in it
    gain = document.with_value(after, ("channels", "shaft_torque", "calibration", "gain"), 2.0, whole)
    assert 'calibration = { kind = "gain_offset", gain = 2.0, offset = 0.0 }' in gain
    assert document.faults(path, after, gain) == ()


def test_a_bad_value_is_said_in_the_loaders_words_and_nothing_is_saved(tmp_path: Path) -> None:
    path = tmp_path / "airboat.toml"
    shutil.copy(shared_path("stands", "airboat.toml"), path)
    text, whole = document.read_text(path), document.resolved(path)
    after = document.with_value(text, ("channels", "shaft_torque", "unit"), "Nm/s", whole)
    (said,) = document.faults(path, text, after)
    path_now = tmp_path / "direct.toml"
    path_now.write_text(after, encoding="utf-8")
    with pytest.raises(ProfileError, match="is not a unit of torque") as direct:
        load_stand(path_now)
    assert said == str(direct.value.problems[0]).replace(str(path_now), str(path))
    with pytest.raises(ProfileError, match="is not a unit of torque"):
        document.save(path, text, after)
    assert path.read_text(encoding="utf-8") == text
    assert sorted(p.name for p in tmp_path.iterdir()) == ["airboat.toml", "direct.toml"]


@pytest.mark.parametrize(
    ("typed", "before", "value"),
    [
        ("12", 1.5, 12.0), ("12", 3, 12), ("true", False, True), ("Nm", "N·m", "Nm"), ("[1, 2]", [0.0], [1, 2]),
        ("2026-04-01", dt.date(2026, 3, 1), dt.date(2026, 4, 1)), ("twelve", 1.5, "twelve"), ("1 2", 1, "1 2"),
    ],
)  # fmt: skip
def test_what_is_typed_becomes_a_value_of_its_kind_or_stays_text(typed: str, before: object, value: object) -> None:
    found = document.parsed(typed, before)
    assert found == value
    assert type(found) is type(value)


def test_a_copy_under_another_name_and_its_removal(tmp_path: Path) -> None:
    path = tmp_path / "airboat.toml"
    shutil.copy(shared_path("stands", "airboat.toml"), path)
    text, whole = document.read_text(path), document.resolved(path)
    after = document.with_copy(text, "limits", "coolant_hot", "coolant_hotter", whole)
    assert after.startswith(text)
    limits = tomllib.loads(after)["limits"]
    assert limits["coolant_hotter"] == limits["coolant_hot"]
    assert tomllib.loads(document.without(after, ("limits", "coolant_hotter"))) == tomllib.loads(text)
    with pytest.raises(UsageError, match="is there already"):
        document.with_copy(text, "limits", "coolant_hot", "thrust_high", whole)
    with pytest.raises(UsageError, match="is not in this file"):
        document.without(text, ("limits", "winding_hot"))
