"""Lets a module of the device package be imported from changed code, in this process only; no file is touched."""

import importlib.util
import sys
from collections.abc import Sequence
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, ModuleType

PACKAGE = Path(__file__).parents[1] / "firmware" / "loopwarden"


def module_of(file: str) -> str:
    """Name of the module in a file of the device package, such as policy/phases.py."""
    return ".".join(["loopwarden", *Path(file).with_suffix("").parts])


class _Loader(SourceFileLoader):
    """Loads one module from the code that it was given."""

    def __init__(self, name: str, path: str, code: CodeType) -> None:
        super().__init__(name, path)
        self._code = code

    def get_code(self, fullname: str) -> CodeType:
        return self._code


class _Finder(MetaPathFinder):
    """Finds that module, and leaves every other one to the finders after it."""

    def __init__(self, file: str, code: CodeType) -> None:
        self._name = module_of(file)
        self._path = str(PACKAGE / file)
        self._code = code

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname != self._name:
            return None
        return importlib.util.spec_from_file_location(
            fullname, self._path, loader=_Loader(fullname, self._path, self._code)
        )


def use(file: str, code: CodeType) -> None:
    """From now on the module in `file`, which must not be imported yet, comes from `code`."""
    if module_of(file) in sys.modules:
        raise RuntimeError(f"{module_of(file)} is imported already")
    sys.meta_path.insert(0, _Finder(file, code))
