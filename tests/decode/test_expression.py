"""Formulas: what is understood, what is refused and where, and that refusing is little work."""

from __future__ import annotations

import ast
import inspect
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.decode import dimensions, expression, formula
from benchkit.decode.dimensions import Kind
from benchkit.decode.expression import MAX_CHARACTERS, MAX_DEPTH, ExpressionError, parse
from benchkit.decode.formula import infer
from benchkit.model import expression as tree
from benchkit.model.expression import Node, evaluate, names_in, put_in
from tests.decode.hostile_expressions import REFUSED


def value(text: str, **values: float | list[float]) -> list[float]:
    arrays = {name: np.atleast_1d(np.array(v, dtype=np.float64)) for name, v in values.items()}
    return np.atleast_1d(evaluate(parse(text), arrays)).tolist()


def parsed(text: str) -> tuple[Node | None, ExpressionError | None]:
    try:
        return parse(text), None
    except ExpressionError as refused:
        return None, refused


# ---------------------------------------------------------------------------------------- what it says
@pytest.mark.parametrize(
    ("text", "expected"),
    [  # exact: small whole numbers; order of operations as in Python's language reference, section 6.17
        ("a + b * c", 3.0 + 4.0 * 2.0),
        ("(a + b) * c", 14.0),
        ("a - b - c", -3.0),
        ("a / b / c", 0.375),
        ("-a ** 2", -9.0),
        ("(-a) ** 2", 9.0),
        ("2 ** 3 ** 2 / 512 * a", 3.0),
        ("a ** -1 * 6", 2.0),
        ("b ** 0.5 * 3.5", 7.0),
        ("b ** (1/2)", 2.0),
        ("+a", 3.0),
        ("- - a", 3.0),
        ("sqrt(b)", 2.0),
        ("abs(c - b)", 2.0),
        ("minimum(a, b) + maximum(a, b)", 7.0),
        ("hypot(a, b)", 5.0),
        ("where(a < b, 1, 2)", 1.0),
        ("where(a <= 3, 1, 2)", 1.0),
        ("where(a > b, 1, 2)", 2.0),
        ("where(a >= b, 1, where(c > 0, 5, 6))", 5.0),
        ("exp(0) + log(1) + sin(0) + cos(0) + 0 * a", 2.0),
        (" a\n\t+ b ", 7.0),
        (".5 * b + 1e1 + 1.e+1 + 0 * a", 22.0),
    ],
)
def test_arithmetic(text: str, expected: float) -> None:
    assert value(text, a=3.0, b=4.0, c=2.0) == [expected]


@pytest.mark.parametrize(
    "text",
    [
        "1 / a", "a / a", "1 / (1 / a)", "log(a)", "log(-1 + a)", "sqrt(a - 1)", "a ** -2", "exp(1000 + a)", "n + 1",
        "0 * n", "n ** 0", "minimum(n, 1)", "maximum(1, n)", "where(n > 0, 1, 2)", "where(1 > 0, n, 2)",
        "(a - 1) ** 0.5", "hypot(n, big * big)", "big * big", "1 / (big * big)", "-big * big", "abs(n)",
        "where(a < 1, 1 / a, 0)",
    ],
)  # fmt: skip
def test_no_value_is_nan_and_says_nothing(text: str) -> None:
    assert all(math.isnan(v) for v in value(text, a=0.0, n=math.nan, big=1e200))


def test_only_the_branch_that_is_taken_counts() -> None:
    assert value("where(a > 0, 1 / a, 7)", a=[0.0, 2.0]) == [7.0, 0.5]


def test_names_and_constants() -> None:
    node = parse("b * a + sqrt(a) - where(c < b, k, -a ** 2)")
    assert names_in(node) == ("b", "a", "c", "k")
    assert names_in(put_in(node, {"k": 2.0, "a": 4.0})) == ("b", "c")
    arrays = {"a": np.array([4.0]), "b": np.array([3.0]), "c": np.array([0.0]), "k": np.array([2.0])}
    assert evaluate(put_in(node, {"k": 2.0}), arrays).tolist() == evaluate(node, arrays).tolist() == [12.0]


# ----------------------------------------------------------------------- against Python's own floats
LEAVES = st.one_of(
    st.sampled_from(["a", "b", "c"]),
    st.floats(0.0, 1e6).map(lambda x: repr(round(x, 3))),
)
TEXTS = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from("+-*/"), inner).map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
        inner.map(lambda t: f"-({t})"),
        inner.map(lambda t: f"sqrt({t})"),
        inner.map(lambda t: f"abs({t})"),
        st.tuples(st.sampled_from(["minimum", "maximum"]), inner, inner).map(lambda t: f"{t[0]}({t[1]}, {t[2]})"),
        st.tuples(inner, st.sampled_from(["<", "<=", ">", ">="]), inner, inner, inner).map(
            lambda t: f"where({t[0]} {t[1]} {t[2]}, {t[3]}, {t[4]})"
        ),
    ),
    max_leaves=12,
)
NUMBERS = st.one_of(st.floats(-1e6, 1e6), st.sampled_from([0.0, -0.0, 1.0, 1e300, 1e-300, math.nan]))


def finite(x: float) -> float:
    return x if math.isfinite(x) else math.nan


class Plain:
    """The same arithmetic on one Python float: IEEE 754 binary64, with what has no finite value made NaN."""

    def __init__(self, x: float) -> None:
        self.x = float(x)

    def __add__(self, other: Plain) -> Plain:
        return Plain(finite(self.x + other.x))

    def __sub__(self, other: Plain) -> Plain:
        return Plain(finite(self.x - other.x))

    def __mul__(self, other: Plain) -> Plain:
        return Plain(finite(self.x * other.x))

    def __truediv__(self, other: Plain) -> Plain:
        return Plain(finite(self.x / other.x) if other.x != 0.0 else math.nan)

    def __neg__(self) -> Plain:
        return Plain(-self.x)

    def __lt__(self, other: Plain) -> tuple[Plain, Plain, bool]:
        return self, other, self.x < other.x

    def __le__(self, other: Plain) -> tuple[Plain, Plain, bool]:
        return self, other, self.x <= other.x

    def __gt__(self, other: Plain) -> tuple[Plain, Plain, bool]:
        return self, other, self.x > other.x

    def __ge__(self, other: Plain) -> tuple[Plain, Plain, bool]:
        return self, other, self.x >= other.x


def either_nan(a: Plain, b: Plain, choose: Callable[[float, float], float]) -> Plain:
    return Plain(math.nan if math.isnan(a.x) or math.isnan(b.x) else choose(a.x, b.x))


def plain_where(condition: tuple[Plain, Plain, bool], yes: Plain, no: Plain) -> Plain:
    a, b, holds = condition
    return Plain(math.nan) if math.isnan(a.x) or math.isnan(b.x) else (yes if holds else no)


PLAIN_FUNCTIONS = {
    "sqrt": lambda a: Plain(math.sqrt(a.x) if a.x >= 0.0 else math.nan),
    "abs": lambda a: Plain(abs(a.x)),
    "minimum": lambda a, b: either_nan(a, b, min),
    "maximum": lambda a, b: either_nan(a, b, max),
    "where": plain_where,
}


@given(text=TEXTS, rows=st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=1, max_size=9))
@settings(max_examples=300, deadline=None)
def test_every_row_is_what_python_floats_give(text: str, rows: list[tuple[float, float, float]]) -> None:
    node, refused = parsed(text)
    if node is None:
        assert any(what in str(refused) for what in ("longer", "more than")), text
        return
    columns = dict(zip("abc", np.array(rows).T.copy(), strict=True))
    with np.errstate(all="raise"):  # nothing may leak out of the evaluation
        got = np.broadcast_to(evaluate(node, columns), (len(rows),))
    # Python itself reads the text here, with every number wrapped: an oracle that shares no code with the walker.
    wrapped = ast.fix_missing_locations(Wrap().visit(ast.parse(text, mode="eval")))
    code = compile(wrapped, "formula", "eval")
    for k, row in enumerate(rows):
        names = {**PLAIN_FUNCTIONS, "Plain": Plain, **dict(zip("abc", map(Plain, row), strict=True))}
        expected = eval(code, {"__builtins__": {}}, names).x
        assert got[k] == expected or (math.isnan(got[k]) and math.isnan(expected)), (text, row)


class Wrap(ast.NodeTransformer):
    def visit_Constant(self, node: ast.Constant) -> ast.Call:
        return ast.Call(ast.Name("Plain", ast.Load()), [node], [])


@pytest.mark.parametrize(
    ("name", "reference"),
    [("exp", math.exp), ("log", math.log), ("sin", math.sin), ("cos", math.cos)],
)
def test_functions_agree_with_the_math_library(name: str, reference: Callable[[float], float]) -> None:
    x = np.linspace(0.01, 20.0, 501)
    # a few units in the last place of 1: both libraries state less than 4 ulp
    np.testing.assert_allclose(
        evaluate(parse(f"{name}(a)"), {"a": x}), [reference(v) for v in x.tolist()], rtol=1e-15, atol=1e-15
    )


@given(exponent=st.integers(-10, 10), x=st.floats(-50.0, 50.0).filter(lambda v: abs(v) > 1e-3))
@settings(max_examples=100, deadline=None)
def test_whole_powers(exponent: int, x: float) -> None:
    # at most ten roundings of half a unit in the last place
    assert value(f"a ** {exponent}", a=x)[0] == pytest.approx(x**exponent, rel=11 * 2.0**-53)


# -------------------------------------------------------------------------------------------- refused
@pytest.mark.parametrize("text", REFUSED, ids=range(len(REFUSED)))
def test_refused_with_its_place(text: str) -> None:
    with pytest.raises(ExpressionError, match=rf"^character \d+ \(.*\): .*({REFUSED[text]})") as caught:
        infer(parse(text), {"a": Kind(None), "b": Kind(None), "c": Kind(None)}, text)
    assert 0 <= caught.value.at <= len(text)
    assert len(str(caught.value)) < 500  # the message does not carry the bomb on


def test_the_list_is_long_enough() -> None:
    assert len(REFUSED) >= 100


@pytest.mark.parametrize(
    ("text", "place", "remedy"),
    [
        ("a + b·c", 5, r"Write \* for a product"),
        ("a + b²", 5, r"Write \*\* 2"),
        ("a * b(c)", 4, "Functions: sqrt"),
        ("a * sqr(c)", 4, "Did you mean 'sqrt'"),
        ("  a * 2 ** b", 11, "Use exp and log"),
        ("a + (b", 4, "Close it"),
        ("a if b else c", 2, "where"),
        ("a + b +", 6, "Finish"),
        ("a + (b -) * c", 8, "Finish"),
        ("a + b c", 6, "product"),
        ("012 + a", 0, "Allowed"),
    ],
)
def test_the_place_is_the_place(text: str, place: int, remedy: str) -> None:
    with pytest.raises(ExpressionError, match=remedy) as caught:
        parse(text)
    assert caught.value.at == place


def test_python_never_sees_a_text_beyond_the_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bound on time is the bound on size: what is parsed is short, shallow and plain."""
    seen: list[str] = []
    original = ast.parse

    def watched(text: str, **kw: Any) -> ast.AST:
        seen.append(text)
        return original(text, **kw)

    monkeypatch.setattr(expression.ast, "parse", watched)
    for text in REFUSED:
        with pytest.raises(ExpressionError, match="character"):
            infer(parse(text), {"a": Kind(None), "b": Kind(None), "c": Kind(None)}, text)
    assert seen
    for text in seen:
        assert len(text) <= MAX_CHARACTERS
        assert text.isascii()
        assert deepest(text) <= MAX_DEPTH
        assert not set(text) & set("[]{}'\"@#;:=\\`$?!&|^~%_.") - set("_.=")


def deepest(text: str) -> int:
    depth = most = 0
    for sign in text:
        depth += (sign == "(") - (sign == ")")
        most = max(most, depth)
    return most


@pytest.mark.parametrize("module", [expression, formula, dimensions, tree])
def test_nothing_is_compiled_looked_up_or_run(module: object) -> None:
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(inspect.getsource(module)))  # type: ignore[arg-type]
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"eval", "exec", "compile", "getattr", "__import__", "globals", "locals", "vars", "open"}


@given(st.text(alphabet="abc0123456789+-*/()<>=., \n_'[]{}eExlmifor", max_size=60))
@settings(max_examples=500, deadline=None)
def test_any_text_is_a_formula_or_is_refused(text: str) -> None:
    node, refused = parsed(text)
    if node is None:
        assert refused is not None
        assert 0 <= refused.at <= len(text)
        return
    arrays = {name: np.ones(2) for name in names_in(node)}
    assert np.shape(evaluate(node, arrays)) in ((), (2,))


@given(st.text(max_size=600))
@settings(max_examples=200, deadline=None)
def test_any_unicode_is_refused_kindly(text: str) -> None:
    _, refused = parsed(text)
    assert refused is None or str(refused).startswith("character ")
