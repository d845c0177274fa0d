"""Numbers for people and for programs: value ± U with sensible digits, and JSON with unit and uncertainty.

Digits follow JCGM 100:2008, 7.2.6: the uncertainty to two significant digits, the value rounded to match it.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal

from benchkit.analysis.uncertainty import interval
from benchkit.model.results import Estimate
from benchkit.report.model import (
    FULL_DIGITS,
    Cell,
    Column,
    Grid,
    Listing,
    Number,
    Paragraph,
    ReportModel,
    RunReport,
    Section,
    Series,
    Table,
)

JSON_FORMAT_VERSION = "1"
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_EXACT = Context(prec=700, rounding=ROUND_HALF_EVEN)
"""Room for the largest float beside the smallest uncertainty."""
PROBABILITY = 0.95
NOT_MEASURED = "not measured"
NOT_DETERMINED = "not determined"
UNKNOWN = "?"
"""Half-width of an interval that cannot be stated: too few independent readings."""
THIN = "\N{NARROW NO-BREAK SPACE}"
_BARE_MINUS = re.compile(r"(?<![\w.-])-(?=\d)")
SPACE = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True)
class Shown:
    """A number as text: value and half-width of the 95 % interval (empty where none), and unit."""

    value: str
    half_width: str
    unit: str

    @property
    def figures(self) -> str:
        """Value ± half-width, without the unit."""
        return f"{self.value}{SPACE}±{SPACE}{self.half_width}" if self.half_width else self.value

    def __str__(self) -> str:
        if self.value == NOT_MEASURED:
            return self.value
        body = f"({self.figures})" if self.half_width and self.unit else self.figures
        return f"{body}{SPACE}{self.unit}" if self.unit else body


def true_minus(text: str) -> str:
    """A text with the minus sign of print before its negative numbers; days and names with hyphens stay as they are."""
    return _BARE_MINUS.sub(MINUS, text)


def bounds95(number: Number) -> tuple[float, float] | None:
    """The 95 % interval of a number, or None where no uncertainty is stated."""
    if number.bounds is not None:
        return number.bounds
    if number.u is None or not math.isfinite(number.u) or not math.isfinite(number.value):
        return None
    low, high = interval(Estimate(number.value, number.u, number.unit, number.dof), PROBABILITY)
    return (low, high) if math.isfinite(low) and math.isfinite(high) else None


def rounded_to_uncertainty(value: float, uncertainty: float, digits: int = 2) -> tuple[str, str]:
    """Value and uncertainty as text, the uncertainty to ``digits`` significant digits (JCGM 100:2008, 7.2.6).

    Raises:
        ValueError: the uncertainty is not positive, or one of the two is not finite.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty > 0.0):
        raise ValueError(f"cannot round {value!r} to an uncertainty of {uncertainty!r}")
    spread = _to_digits(Decimal(repr(float(uncertainty))), digits)
    exponent = spread.adjusted() - digits + 1
    kept = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(exponent), context=_EXACT)
    return _grouped(kept), _grouped(spread)


def _to_digits(number: Decimal, digits: int) -> Decimal:
    """Round to significant digits; 9.96 to two digits is 10, not 10.0."""
    rounded = number
    for _ in range(2):
        rounded = number.quantize(Decimal(1).scaleb(rounded.adjusted() - digits + 1), context=_EXACT)
    return rounded


def _grouped(number: Decimal) -> str:
    """Digits in groups of three by a narrow space from five digits on (SI Brochure, 5.4.4); a true minus sign."""
    sign = MINUS if number.is_signed() and number != 0 else ""
    whole, _, part = f"{abs(number):f}".partition(".")
    if len(whole) > 4:
        head = len(whole) % 3
        groups = ([whole[:head]] if head else []) + [whole[i : i + 3] for i in range(head, len(whole), 3)]
        whole = THIN.join(groups)
    return f"{sign}{whole}.{part}" if part else f"{sign}{whole}"


def plain_text(value: float, digits: int = FULL_DIGITS) -> str:
    """A number without an uncertainty, to ``digits`` significant digits; at full digits without trailing zeros."""
    if value == 0.0:
        return "0"
    if not 1e-4 <= abs(value) < 1e9:
        mantissa, _, exponent = f"{value:.{digits - 1}e}".partition("e")
        return f"{mantissa.replace('-', MINUS)}{THIN}×{THIN}10{str(int(exponent)).translate(_RAISED)}"
    rounded = _to_digits(Decimal(repr(float(value))), digits)
    text = _grouped(rounded)
    return text.rstrip("0").rstrip(".") if "." in text and digits >= FULL_DIGITS else text


def show(number: Number) -> Shown:  # noqa: PLR0911  one return a kind of number
    """A number as text. NaN reads *not measured*: it is never shown as a number."""
    factor, unit = (100.0, "%") if number.in_percent else (1.0, "" if number.unit == "1" else number.unit)
    if math.isnan(number.value):
        return Shown(NOT_MEASURED, "", unit)
    if not math.isfinite(number.value):
        return Shown("without bound", "", "")
    value = factor * number.value
    bounds = bounds95(number)
    half_width = 0.5 * factor * (bounds[1] - bounds[0]) if bounds and number.bounds is None else math.nan
    if half_width > 0.0 and math.isfinite(half_width):
        return Shown(*rounded_to_uncertainty(value, half_width), unit)
    if number.bounds is not None and not all(map(math.isfinite, number.bounds)):
        return _one_sided(factor, number.bounds, unit)
    if number.bounds is not None and number.u is not None and number.bounds[1] > number.bounds[0]:
        low, high = (factor * bound for bound in number.bounds)
        texts = [rounded_to_uncertainty(x, 0.5 * (high - low))[0] for x in (value, low, high)]
        return Shown(f"{texts[0]}{SPACE}[{texts[1]}{SPACE}…{SPACE}{texts[2]}]", "", unit)
    if bounds is None and number.u is not None:
        is_finite = 0.0 < number.u < math.inf
        text = rounded_to_uncertainty(value, factor * number.u)[0] if is_finite else plain_text(value, 3)
        return Shown(text, UNKNOWN, unit)
    return Shown(_grouped(Decimal(round(value))) if number.whole else plain_text(value, number.digits), "", unit)


def _one_sided(factor: float, bounds: tuple[float, float], unit: str) -> Shown:
    """A number whose interval has no end: the end that it has, or that nothing is known of it."""
    low, high = (factor * bound for bound in bounds)
    if math.isfinite(low) and low != 0.0:
        return Shown(f"at least {plain_text(low, 3)}", "", unit)
    if math.isfinite(high) and high != 0.0:
        return Shown(f"at most {plain_text(high, 3)}", "", unit)
    return Shown(NOT_DETERMINED, "", "")


def show_interval(number: Number) -> str:
    """The 95 % interval as ``low … high unit``, or an empty text where there is none."""
    bounds = bounds95(number)
    if bounds is None or not all(map(math.isfinite, bounds)) or bounds[1] <= bounds[0]:
        return ""
    factor, unit = (100.0, "%") if number.in_percent else (1.0, "" if number.unit == "1" else number.unit)
    half_width = 0.5 * factor * (bounds[1] - bounds[0])
    low, high = (rounded_to_uncertainty(factor * bound, half_width)[0] for bound in bounds)
    return f"{low}{SPACE}…{SPACE}{high}{SPACE}{unit}".rstrip()


def mostly_from(number: Number, names: int = 2) -> str:
    """The greatest contributions to the uncertainty with their share of the variance, such as ``torque 71 %``."""
    if not number.u or not math.isfinite(number.u):
        return ""
    ranked = sorted(number.budget, key=lambda part: -abs(part.u))[:names]
    shares = [(part.name, 100.0 * (part.u / number.u) ** 2) for part in ranked]
    return ", ".join(f"{name} {share:.0f}{SPACE}%" for name, share in shares if share >= 0.5)


# ------------------------------------------------------------------------------------------------- JSON

Json = dict[str, "Json"] | list["Json"] | str | float | bool | None


def report_json(model: ReportModel) -> dict[str, Json]:
    """Everything the report says as plain JSON values.

    Every number is an object with ``value`` (or ``values``), ``unit`` and ``u``, the standard uncertainty (k = 1),
    null where none is stated; a value that was not measured is null. ``low95`` and ``high95`` bound the 95 %
    interval.
    """
    return {
        "format": "benchkit report",
        "format_version": JSON_FORMAT_VERSION,
        "title": model.title,
        "software_version": model.software_version,
        "simulated": list(model.simulated),
        "runs": [_run(run) for run in model.runs],
        "sections": [_section(section) for section in model.sections],
    }


def json_text(model: ReportModel) -> str:
    """The JSON of the report as text, the same for the same inputs."""
    return json.dumps(report_json(model), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _run(run: RunReport) -> Json:
    header = run.header
    return {
        "label": run.label,
        "file": run.file_name,
        "run_id": header.run_id,
        "started_utc": header.started_utc,
        "stand": header.stand,
        "recorded_with": header.software_version,
        "is_simulated": header.simulated,
        "seed": None if header.seed is None else _number(Number(header.seed, "1", whole=True)),
        "time_factor": _number(Number(header.time_factor, "1")),
        "is_closed": run.is_closed,
        "content_sha256": run.content_sha256,
    }


def _section(section: Section) -> Json:
    blocks: dict[str, list[Json]] = {"texts": [], "tables": [], "figures": []}
    for block in section.blocks:
        if isinstance(block, Table):
            blocks["tables"].append(_table(block))
        elif isinstance(block, Paragraph):
            blocks["texts"].append(": ".join(part for part in (block.heading, block.text) if part))
        elif isinstance(block, Listing):
            blocks["texts"].extend(f"{head}: {text}" for head, text in block.lines)
        else:
            blocks["figures"].append(_plain(block))
    return {"id": section.id, "title": section.title, **{k: list(v) for k, v in blocks.items() if v}}


def _table(table: Table) -> Json:
    def row(cells: tuple[Cell, ...]) -> Json:
        return {
            column.key: _number(cell) if isinstance(cell, Number) else cell.text
            for column, cell in zip(table.columns, cells, strict=True)
        }

    return {
        "id": table.id,
        "title": table.title,
        "columns": [_column(column) for column in table.columns],
        "rows": [row(cells) for cells in table.rows],
        **({"note": table.note} if table.note else {}),
    }


def _column(column: Column) -> Json:
    return {"key": column.key, "title": column.title}


def _number(number: Number) -> dict[str, Json]:
    data: dict[str, Json] = {
        "value": _finite(number.value),
        "unit": number.unit,
        "u": None if number.u is None else _finite(number.u),
    }
    bounds = bounds95(number)
    if bounds is not None:
        data |= {"low95": _finite(bounds[0]), "high95": _finite(bounds[1])}
    if number.u is not None and math.isfinite(number.dof):
        data["dof"] = _finite(number.dof)
    if number.budget:
        ranked = sorted(number.budget, key=lambda part: -abs(part.u))
        data["budget"] = [{"name": part.name, "u": _finite(part.u), "unit": number.unit} for part in ranked]
    return data


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _series(series: Series) -> Json:
    u: Json = [_finite(x) for x in series.u] if series.u else None
    data: dict[str, Json] = {"name": series.name, "unit": series.unit, "u": u}
    if any(map(math.isfinite, series.dof)):
        data["dof"] = [_finite(x) for x in series.dof]
    return data | {"values": [_finite(x) for x in series.values]}


def _rows(rows: tuple[tuple[float, ...], ...]) -> Json:
    return [[_finite(x) for x in row] for row in rows]


def _plain(item: object) -> Json:
    """A figure as JSON: its dataclasses become objects, its numbers objects with unit and u."""
    if isinstance(item, Number):
        return _number(item)
    if isinstance(item, Series):
        return _series(item)
    if isinstance(item, Grid):
        return {"name": item.name, "unit": item.unit, "u": _rows(item.u), "values": _rows(item.values)}
    if isinstance(item, tuple):
        return [_plain(part) for part in item]
    if isinstance(item, str | bool):
        return item
    # What is left is a dataclass; a bare number has no fields, hence no way in without its unit.
    return {f.name: _plain(getattr(item, f.name)) for f in dataclasses.fields(item)}  # type: ignore[arg-type]
