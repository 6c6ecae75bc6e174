"""A method that changes state does so when it is called: never a generator, which does nothing until it is iterated."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

GATEWAY = Path(__file__).parents[2] / "gateway"
LAZY = {"Iterator", "Generator", "AsyncIterator", "AsyncGenerator"}
CONTEXTS = {"contextmanager", "asynccontextmanager"}
"""A function under these is run by its `with`, and returns nothing to forget."""
CHANGES = {"append", "appendleft", "extend", "add", "pop", "popleft", "remove", "discard", "clear", "update", "insert"}
Function = ast.FunctionDef | ast.AsyncFunctionDef


def own_nodes(function: Function) -> Iterator[ast.AST]:
    """All nodes of a function without those of functions inside it."""
    todo: list[ast.AST] = list(function.body)
    while todo:
        node = todo.pop()
        yield node
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda | ast.ClassDef):
            todo += ast.iter_child_nodes(node)


def is_of_self(node: ast.AST) -> bool:
    """Does an attribute or item belong to `self`, however deep?"""
    while isinstance(node, ast.Attribute | ast.Subscript):
        node = node.value
        if isinstance(node, ast.Name) and node.id == "self":
            return True
    return False


def changes_self(function: Function) -> bool:
    """Does it assign to, delete from or put into something of `self`?"""
    for node in own_nodes(function):
        if isinstance(node, ast.Attribute | ast.Subscript):
            stores = isinstance(node.ctx, ast.Store | ast.Del) and is_of_self(node)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            stores = node.func.attr in CHANGES and is_of_self(node.func.value)
        else:
            stores = False
        if stores:
            return True
    return False


def calls_of_self(function: Function) -> set[str]:
    """Names of its own class's methods that it calls."""
    return {
        node.func.attr
        for node in own_nodes(function)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id == "self"
    }


def is_lazy(function: Function) -> bool:
    """Is it a generator, or does it say that it returns an iterator?"""
    names = {ast.unparse(d).split(".")[-1] for d in function.decorator_list}
    if names & CONTEXTS:
        return False
    says = function.returns is not None and ast.unparse(function.returns).split("[")[0].strip("'\"") in LAZY
    return says or any(isinstance(n, ast.Yield | ast.YieldFrom) for n in own_nodes(function))


def lazy_changers(source: str) -> set[str]:
    """`Class.method` of each method that changes state, itself or through its own class's methods, and is lazy."""
    found = set()
    for owner in ast.walk(ast.parse(source)):
        if not isinstance(owner, ast.ClassDef):
            continue
        methods = {f.name: f for f in owner.body if isinstance(f, ast.FunctionDef | ast.AsyncFunctionDef)}
        changing = {name for name, f in methods.items() if changes_self(f)}
        while more := {n for n, f in methods.items() if n not in changing and calls_of_self(f) & changing}:
            changing |= more
        found |= {f"{owner.name}.{name}" for name in changing if is_lazy(methods[name])}
    return found


def test_nothing_that_changes_state_waits_to_be_iterated() -> None:
    """Tree-wide."""
    found = {
        f"{path.relative_to(GATEWAY).as_posix()}: {name}"
        for path in sorted(GATEWAY.rglob("*.py"))
        for name in lazy_changers(path.read_text(encoding="utf-8"))
    }
    assert found == set()


@pytest.mark.parametrize(
    "body",
    [
        "def f(self):\n  self.x = 1\n  yield 1",
        "def f(self) -> Iterator[int]:\n  self.x.y += 1\n  return iter(())",
        "def f(self):\n  yield from self.g()\n def g(self):\n  self.x.append(1)\n  return []",
        "def f(self):\n  for a in self.h():\n   yield a\n def h(self):\n  self.x[0] = 2\n  return []",
    ],
)
def test_a_silent_no_op_is_found(body: str) -> None:
    """The check sees each way in which such a method can be written."""
    assert lazy_changers(f"class A:\n {body}\n") == {"A.f"}


def test_what_only_looks_is_let_be() -> None:
    """A generator over what stands, and a context manager, may stay."""
    looks = "class A:\n def f(self):\n  yield self.x\n @contextmanager\n def g(self):\n  self.x = 1\n  yield\n"
    assert lazy_changers(looks) == set()
