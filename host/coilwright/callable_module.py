"""A module that can be called: `coilwright.tune` is a package and the function of that name."""

from __future__ import annotations

from importlib import import_module
from types import ModuleType
from typing import Any


class CallableModule(ModuleType):
    """Calls the function of `coilwright.api` that bears the module's name.

    The import of a submodule puts it into its parent under its name, where the function would be.
    """

    def __call__(self, *arguments: Any, **options: Any) -> Any:
        return getattr(import_module("coilwright.api"), self.__name__.rpartition(".")[2])(
            *arguments, **options
        )
