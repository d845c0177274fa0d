"""Text of a derived channel to a frozen tree: a safe subset of Python expressions.

Allowed are numbers, names in lower case, ``+ - * / **``, parentheses, the functions of
:data:`benchkit.model.expression.FUNCTIONS`, and one comparison as the first argument of ``where``. The text is cut
into signs and measured first, so that Python's parser only ever sees short, shallow, plain ASCII; its syntax tree is
then walked, and whatever is not on the list is refused with its place. Nothing is compiled, looked up or run.
"""

from __future__ import annotations

import ast
import keyword
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from benchkit.errors import UsageError, did_you_mean
from benchkit.model.expression import (
    FUNCTIONS,
    Binary,
    BinaryOperator,
    Call,
    Compare,
    Comparison,
    Name,
    Negative,
    Node,
    Number,
    Power,
    evaluate,
    names_in,
)

MAX_CHARACTERS = 500
"""A formula that a reader can check fits in a few lines; a longer one is cut into several channels."""
MAX_NODES = 100
"""Numbers, names, signs and calls. It bounds the work for a block and the depth of every walk over the tree."""
MAX_DEPTH = 20
"""Parentheses, calls and signs within each other. A long sum is not deep."""
MAX_EXPONENT = 10.0

_TOKEN = re.compile(
    r"(?P<space>[ \t\r\n]+)|(?P<number>(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
    r"|(?P<name>[A-Za-z][A-Za-z0-9_]*)|(?P<open>\()|(?P<close>\))|(?P<sign>\*\*|<=|>=|[-+*/<>,])|(?P<bad>.)",
    re.DOTALL,
)
_OPERATORS: dict[type[ast.operator], BinaryOperator] = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}
_COMPARISONS: dict[type[ast.cmpop], Comparison] = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">="}
_ALLOWED = "numbers, channel names, + - * / **, parentheses and " + ", ".join(FUNCTIONS)
_USE_WHERE = "Choose with where(condition, value, other value)."
_WRITE_AS = {
    "·": "Write * for a product.", "×": "Write * for a product.", "÷": "Write / for a quotient.",
    "−": "Write a plain minus sign.", "–": "Write a plain minus sign.", "²": "Write ** 2.", "³": "Write ** 3.",
    "^": "Write ** for a power.", "√": "Write sqrt( ).", "=": "Compare with <, <=, > or >=, inside where( ).",
    "!": "Compare with <, <=, > or >=, inside where( ).", "%": "Write / 100.",
    ".": "A point stands only inside a number.", "_": "A name begins with a letter.",
}  # fmt: skip


class ExpressionError(UsageError):
    """An expression that is refused: ``at`` is the place in its text, counted from 0."""

    def __init__(self, what: str, text: str, at: int, remedy: str = "") -> None:
        self.at = at
        shown = text[at : at + 16].strip() or "end of the text"
        super().__init__(f"character {at + 1} ({shown!r}): {what}", remedy=remedy)


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str
    at: int


def parse(text: str) -> Node:
    """Tree of the expression. Names are not looked up here.

    Raises:
        ExpressionError: with the place and what is refused there.
    """
    if len(text) > MAX_CHARACTERS:
        raise ExpressionError(
            f"the expression is longer than {MAX_CHARACTERS} characters",
            text,
            MAX_CHARACTERS,
            "Cut it into several derived channels.",
        )
    _check_tokens(text)
    plain = re.sub(r"[\t\r\n]", " ", text)
    start = len(plain) - len(plain.lstrip())
    try:
        body = ast.parse(plain.strip(), mode="eval").body
    except SyntaxError as error:
        at = start + max((error.offset or 1) - 1, 0)
        raise ExpressionError("not an expression here", text, min(at, len(text)), f"Allowed: {_ALLOWED}.") from None
    except (ValueError, MemoryError, RecursionError):
        raise ExpressionError("cannot be read", text, 0, "Cut it into several derived channels.") from None
    return _Builder(text, start).node(body, 0)


def _check_tokens(text: str) -> None:
    """Refuse what Python's parser need not see: other signs, words of the language, deep nesting, broken grammar."""
    before = _Token("sign", "", 0)
    opened: list[int] = []
    for token in _tokens(text):
        match token.kind:
            case "bad":
                remedy = _WRITE_AS.get(token.text, f"Allowed: {_ALLOWED}.")
                raise ExpressionError("this sign has no place in an expression", text, token.at, remedy)
            case "name" if keyword.iskeyword(token.text):
                remedy = _USE_WHERE if token.text in ("if", "else", "and", "or", "not") else f"Allowed: {_ALLOWED}."
                raise ExpressionError(f"the word {token.text!r} has no place in an expression", text, token.at, remedy)
            case "open":
                opened.append(token.at)
                if len(opened) > MAX_DEPTH:
                    raise _too_deep(text, token.at)
            case "close":
                if not opened:
                    raise ExpressionError("this parenthesis closes nothing", text, token.at, "Leave it out.")
                opened.pop()
        _check_neighbours(text, before, token)
        before = token
    if not before.text:
        raise ExpressionError("the expression is empty", text, 0, "Write a formula of channels of one source.")
    if opened:
        raise ExpressionError("this parenthesis is not closed", text, opened[-1], "Close it.")
    if before.kind == "sign":
        raise ExpressionError("a value is missing after this", text, before.at, "Finish the formula.")


def _check_neighbours(text: str, before: _Token, token: _Token) -> None:
    """Values and the signs between them take turns."""
    is_value_due = before.kind in ("sign", "open")
    if not is_value_due and (token.kind in ("name", "number") or (token.kind == "open" and before.kind != "name")):
        raise ExpressionError("a sign is missing before this", text, token.at, "Write * for a product.")
    is_bare_sign = token.kind == "sign" and token.text not in ("+", "-")
    if is_value_due and (is_bare_sign or (token.kind == "close" and before.kind == "sign")):
        raise ExpressionError("a value is missing before this", text, token.at, "Finish the formula.")


def _tokens(text: str) -> Iterator[_Token]:
    for match in _TOKEN.finditer(text):
        if match.lastgroup == "space":
            continue
        yield _Token(str(match.lastgroup), match.group(), match.start())


def _too_deep(text: str, at: int) -> ExpressionError:
    return ExpressionError(
        f"nested more than {MAX_DEPTH} deep", text, at, "Give a part of it a derived channel of its own."
    )


class _Builder:
    """Walks Python's syntax tree of one text and builds ours. ``start`` is what was stripped before it."""

    def __init__(self, text: str, start: int) -> None:
        self._text, self._start, self._nodes = text, start, 0

    def node(self, tree: ast.expr, depth: int) -> Node:  # noqa: PLR0911  one return for each kind of node
        at = self._start + tree.col_offset
        self._nodes += 1
        if self._nodes > MAX_NODES:
            raise self._error(f"more than {MAX_NODES} numbers, names and signs", at, "Cut it into derived channels.")
        if depth > MAX_DEPTH:
            raise _too_deep(self._text, at)
        match tree:
            case ast.Constant(value=int() | float() as value) if not isinstance(value, bool):
                return Number(self._number(value, at), at)
            case ast.Name(id=name):
                return Name(name, at)
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                return Negative(self.node(operand, depth + 1), at)
            case ast.UnaryOp(op=ast.UAdd(), operand=operand):
                return self.node(operand, depth + 1)
            case ast.BinOp(left=left, op=ast.Pow(), right=right):
                return Power(self.node(left, depth + 1), self._exponent(right, depth + 1), at)
            case ast.BinOp(left=left, op=op, right=right) if type(op) in _OPERATORS:
                # Sums and products lean to the left: their length is no depth.
                return Binary(_OPERATORS[type(op)], self.node(left, depth), self.node(right, depth + 1), at)
            case ast.Call(func=ast.Name(id=name), args=arguments, keywords=[]):
                return self._call(name, arguments, at, depth)
            case ast.Compare():
                raise self._error("a comparison stands only as the first argument of where", at, _USE_WHERE)
        raise self._error("this is not on the list of what an expression may hold", at, f"Allowed: {_ALLOWED}.")

    def _call(self, name: str, arguments: list[ast.expr], at: int, depth: int) -> Call:
        if name not in FUNCTIONS:
            hint = did_you_mean(name, FUNCTIONS) or f"Functions: {', '.join(FUNCTIONS)}."
            raise self._error(f"no function {name!r}", at, hint)
        count = FUNCTIONS[name][0]
        if len(arguments) != count:
            raise self._error(
                f"{name} takes {count} argument{'s' if count > 1 else ''}, here are {len(arguments)}", at, ""
            )
        if name == "where":
            condition = self._comparison(arguments[0], depth + 1)
            return Call(name, (condition, *(self.node(a, depth + 1) for a in arguments[1:])), at)
        return Call(name, tuple(self.node(a, depth + 1) for a in arguments), at)

    def _comparison(self, tree: ast.expr, depth: int) -> Compare:
        at = self._start + tree.col_offset
        if not isinstance(tree, ast.Compare):
            raise self._error("where begins with a comparison", at, "As in where(speed > 0, torque, 0).")
        if len(tree.ops) != 1:
            raise self._error("one comparison at a time", at, "Put one where( ) into the other.")
        comparison = _COMPARISONS[type(tree.ops[0])]
        return Compare(comparison, self.node(tree.left, depth + 1), self.node(tree.comparators[0], depth + 1), at)

    def _number(self, value: int | float, at: int) -> float:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise self._error("the number is too large", at, "Numbers go to about 1.8e308.")
        return number

    def _exponent(self, tree: ast.expr, depth: int) -> float:
        at = self._start + tree.col_offset
        node = self.node(tree, depth)
        if names_in(node):
            raise self._error("an exponent is a number", at, "Use exp and log for other powers.")
        value = float(evaluate(node, {}))
        if not abs(value) <= MAX_EXPONENT:
            raise self._error(f"the exponent is not within -{MAX_EXPONENT:g} and {MAX_EXPONENT:g}", at, "")
        return value

    def _error(self, what: str, at: int, remedy: str) -> ExpressionError:
        return ExpressionError(what, self._text, at, remedy)
