"""The examples in docstrings are true: every module that has one is run, on the demonstration, without a network."""

import doctest
from importlib import import_module
from pathlib import Path

import pytest

import wxfly

PACKAGE = Path(wxfly.__file__).parent
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
    for path in PACKAGE.rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_every_example_gives_what_it_shows(name, capsys):
    module = import_module(name)
    runner = doctest.DocTestRunner(verbose=False, optionflags=doctest.ELLIPSIS)
    for test in doctest.DocTestFinder(exclude_empty=True).find(module, name):
        runner.run(test)
    assert runner.tries and not runner.failures, capsys.readouterr().out


@pytest.mark.parametrize("name", wxfly.__all__)
def test_every_public_name_is_typed_and_shows_an_example(name):
    function = getattr(wxfly, name)
    assert function.__doc__.startswith("Return ")
    assert ">>> import wxfly" in function.__doc__
    assert "return" in function.__annotations__
