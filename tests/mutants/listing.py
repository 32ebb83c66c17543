"""Owns the list: what an entry says, where its expression is, and the source with its replacement.

An entry names a `module`, a `function` of it (or a class, or a name the module assigns, as for a table), an
`expression` in that function and its `replacement`; `why` tells in a line what is at stake; `tests` are the files or
node ids one of which must fail. A change of the kernel is run interpreted, or with `compiled` compiled anew.
Expressions are compared as syntax, so layout and comments do not matter; one that occurs twice is written with more of
what stands around it.
"""

from __future__ import annotations

import ast
import builtins
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
REPOSITORY = HERE.parents[1]
KERNEL = ("clearance.kernel.", "clearance.tolerances")
"""Modules whose source decides what is compiled (`clearance.kernel.cache.kernel_digest`)."""


class Broken(ValueError):
    """An entry that cannot be applied."""


@dataclass(frozen=True)
class Mutant:
    """An entry of the list; see the module."""

    module: str
    function: str
    expression: str
    replacement: str
    why: str
    tests: tuple[str, ...]
    compiled: bool = False

    @property
    def name(self) -> str:
        return f"{self.module}:{self.function}: {self.expression} -> {self.replacement}"

    @property
    def interpreted(self) -> bool:
        """Whether its tests run without compiling the kernel, which it would change."""
        return self.module.startswith(KERNEL) and not self.compiled

    @property
    def path(self) -> Path:
        """The module's file, from the repository."""
        return Path(*self.module.split(".")).with_suffix(".py")


def listed() -> list[Mutant]:
    """All entries, by file and in the order they stand in."""
    found = []
    for path in sorted(HERE.glob("*.toml")):
        for number, entry in enumerate(tomllib.loads(path.read_text())["mutant"], 1):
            try:
                found.append(Mutant(**{**entry, "tests": tuple(entry["tests"])}))
            except (KeyError, TypeError) as error:
                raise Broken(f"{path.name}: entry {number}: {error}") from error
    return found


def mutated(mutant: Mutant, source: str) -> str:
    """The module's source with the replacement; Broken where it cannot be made."""
    tree, known = _read(source)
    wanted = _parsed(mutant, mutant.expression)
    new = _parsed(mutant, mutant.replacement)
    if _same(wanted, new):
        raise Broken(f"{mutant.name}: the replacement is the expression itself")
    unknown = {node.id for node in ast.walk(new) if isinstance(node, ast.Name)} - known
    if unknown:
        raise Broken(f"{mutant.name}: the module has no {', '.join(sorted(unknown))}")
    inside = _named(tree, mutant.function)
    if not inside:
        raise Broken(f"{mutant.name}: the module has no such function")
    found = [node for part in inside for node in ast.walk(part) if _same(node, wanted)]
    if len(found) != 1:
        raise Broken(f"{mutant.name}: expected the expression once, found it {len(found)} times")
    (node,) = found
    lines = source.encode().splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))
    begin = starts[node.lineno - 1] + node.col_offset
    end = starts[node.end_lineno - 1] + node.end_col_offset
    # A replacement of several lines stays one expression within its brackets.
    changed = source.encode()[:begin] + b"(" + mutant.replacement.strip().encode() + b")" + source.encode()[end:]
    try:
        ast.parse(changed)
    except SyntaxError as error:
        raise Broken(f"{mutant.name}: {error}") from error
    return changed.decode()


def _parsed(mutant: Mutant, text: str) -> ast.expr:
    try:
        return ast.parse(f"(\n{text}\n)", mode="eval").body
    except SyntaxError as error:
        raise Broken(f"{mutant.name}: not an expression: {text!r}") from error


@lru_cache
def _read(source: str) -> tuple[ast.Module, frozenset[str]]:
    """A module as syntax, and every name it knows."""
    tree = ast.parse(source)
    names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    bound = {name for node in ast.walk(tree) for name in _bound(node)}
    return tree, frozenset((*names, *bound, *dir(builtins)))


def _same(one: ast.AST, other: ast.AST) -> bool:
    """Whether two expressions are the same in all but layout."""
    return type(one) is type(other) and ast.dump(one) == ast.dump(other)


def _bound(node: ast.AST) -> Iterator[str]:
    """Names that a node makes known besides those that stand as names."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        yield node.name
    elif isinstance(node, ast.arg):
        yield node.arg
    elif isinstance(node, ast.alias):
        yield (node.asname or node.name).split(".")[0]


def _named(tree: ast.Module, name: str) -> list[ast.AST]:
    """What a module has under a qualified name: a function, a class, or the values a name is given."""
    bodies: list[ast.AST] = [tree]
    for part in name.split("."):
        bodies = [inner for body in bodies for inner in body.body if part in _defines(inner)]  # type: ignore[attr-defined]
    return bodies


def _defines(node: ast.AST) -> set[str]:
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return {node.name}
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return {target.id for target in targets if isinstance(target, ast.Name)}
