"""docs/reference/api/: the public functions and classes of ``analysis`` and ``runfile``, from their docstrings.

Made for the built site only (the folder is not kept): one page a module. Read from the source, nothing is imported.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from page_tools import GENERATED

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "docs" / "reference" / "api"
PACKAGES = {
    "analysis": "pure functions on arrays: no file, port or clock",
    "runfile": "writing, reading, verifying runs",
}

Definition = ast.FunctionDef | ast.ClassDef


def write_pages() -> list[Path]:
    """Write all pages anew where they changed; returns their paths."""
    pages = {FOLDER / "index.md": _index()}
    for package in PACKAGES:
        for path in _modules(package):
            text = _module_page(path)
            if text:
                pages[FOLDER / f"{_dotted(path)}.md"] = text
    FOLDER.mkdir(exist_ok=True)
    for old in set(FOLDER.glob("*.md")) - set(pages):
        old.unlink()
    for path, text in pages.items():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")
    return sorted(pages)


def _modules(package: str) -> list[Path]:
    return sorted((ROOT / "benchkit" / package).rglob("*.py"))


def _dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _index() -> str:
    lines = ["# Python interface", "", GENERATED.replace("Written", "Read from the docstrings"), ""]
    lines += [
        "Every argument is in bench units, with the unit in its name; see [names and units](../../nomenclature.md).",
        "",
    ]
    for package, what in PACKAGES.items():
        lines += [f"## benchkit.{package}", "", f"{what[0].upper()}{what[1:]}.", ""]
        lines += ["| module | what it is |", "|---|---|"]
        for path in _modules(package):
            if _module_page(path):
                first = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n\n")[0]
                lines.append(f"| [{_dotted(path)}]({_dotted(path)}.md) | {_inline(' '.join(first.split()))} |")
        lines.append("")
    lines += [":::{toctree}", ":hidden:", ":glob:", "", "*", ":::", ""]
    return "\n".join(lines)


def _module_page(path: Path) -> str:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    public = [
        node
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        and not node.name.startswith("_")
        and ast.get_docstring(node)
    ]
    if not public:
        return ""
    lines = [f"# {_dotted(path)}", "", *_docstring(ast.get_docstring(tree) or ""), ""]
    for node in public:
        lines += _definition(node, "")
    return "\n".join(lines)


def _definition(node: Definition, owner: str) -> Iterator[str]:
    yield from (f"{'###' if owner else '##'} {owner}{node.name}", "", "```python", *_signature(node), "```", "")
    yield from _docstring(ast.get_docstring(node) or "")
    yield ""
    if isinstance(node, ast.ClassDef):
        for inner in node.body:
            if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_") and ast.get_docstring(inner):
                yield from _definition(inner, f"{node.name}.")


def _signature(node: Definition) -> list[str]:
    if isinstance(node, ast.ClassDef):
        bases = ", ".join(ast.unparse(base) for base in node.bases)
        head = f"class {node.name}({bases}):" if bases else f"class {node.name}:"
        fields = [f"    {ast.unparse(one)}" for one in node.body if isinstance(one, ast.AnnAssign) and _is_public(one)]
        return [head, *(fields or ["    ..."])]
    decorators = [
        f"@{ast.unparse(one)}" for one in node.decorator_list if ast.unparse(one) in ("property", "classmethod")
    ]
    returns = f" -> {ast.unparse(node.returns)}" if node.returns else ""
    line = f"def {node.name}({ast.unparse(node.args)}){returns}: ..."
    if len(line) > 100:
        inside = ",\n    ".join(_split(ast.unparse(node.args)))
        line = f"def {node.name}(\n    {inside},\n){returns}: ...".replace("/,\n", "/,\n")
    return [*decorators, *line.split("\n")]


def _is_public(node: ast.AnnAssign) -> bool:
    return isinstance(node.target, ast.Name) and not node.target.id.startswith("_")


def _split(text: str) -> list[str]:
    """Arguments of a signature, cut at the commas that stand in no bracket."""
    parts, depth = [""], 0
    for sign in text:
        depth += (sign in "([{") - (sign in ")]}")
        if sign == "," and depth == 0:
            parts.append("")
        else:
            parts[-1] += sign
    return [part.strip() for part in parts]


def _docstring(text: str) -> Iterator[str]:
    """A docstring as Markdown: examples become blocks, roles become plain code, the rest is text."""
    in_example = False
    for line in text.splitlines():
        if line.lstrip().startswith(">>> ") and not in_example:
            in_example = True
            yield from ("", "```pycon")
        elif in_example and not line.strip():
            in_example = False
            yield "```"
        if in_example:
            yield line.strip() if line.lstrip().startswith((">>>", "...")) else line
        else:
            heading = re.fullmatch(
                r"(Args|Arguments|Returns|Raises|Yields|Attributes|Note|Source|Example):", line.strip()
            )
            if heading:
                yield from ("", f"**{heading.group(1)}**", "")
            elif re.match(r"    \S+:? ", line) and not line.startswith("     "):
                yield f"- {_inline(line.strip())}"
            elif line.strip() == "":
                yield ""
            else:
                yield _inline(
                    line.strip() if line.startswith("    ") and not line.startswith("      ") else line.lstrip()
                )
    if in_example:
        yield "```"


def _inline(text: str) -> str:
    text = re.sub(r":\w+:`~?\.?([^`]*)`", r"`\1`", text)
    text = re.sub(r"``(.*?)``", r"`\1`", text)
    parts = re.split(r"(`[^`]*`)", text)
    return "".join(part if part.startswith("`") else re.sub(r"([*_<>\[\]|$#])", r"\\\1", part) for part in parts)
