"""The docstrings that stand below the attributes of a class."""

from __future__ import annotations

import ast
import inspect
from itertools import pairwise
from textwrap import dedent


def attribute_docs(cls: type) -> dict[str, str]:
    """Return the docstring of each attribute of its own that has one, on one line."""
    (written,) = ast.parse(dedent(inspect.getsource(cls))).body
    assert isinstance(written, ast.ClassDef)
    return {
        name: " ".join(below.value.value.split())
        for node, below in pairwise(written.body)
        if isinstance(below, ast.Expr)
        and isinstance(below.value, ast.Constant)
        and isinstance(below.value.value, str)
        for name in _names(node)
    }


def _names(node: ast.stmt) -> list[str]:
    targets: list[ast.expr] = [node.target] if isinstance(node, ast.AnnAssign) else []
    targets += node.targets if isinstance(node, ast.Assign) else []
    return [target.id for target in targets if isinstance(target, ast.Name)]
