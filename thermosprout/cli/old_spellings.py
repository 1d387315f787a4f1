"""Options under the names they had before: taken as ever, not shown in help."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from thermosprout.cli.one_each import OneEach


class OldSpellings(OneEach):
    """Command that reads each old name of an option as the present one."""

    renamed: Mapping[str, str]

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put the present names in place of the old ones; what stands behind ``--`` is left."""
        end = args.index("--") if "--" in args else len(args)
        return super().parse_args(ctx, [self._now(text) for text in args[:end]] + args[end:])

    def _now(self, text: str) -> str:
        name, mark, value = text.partition("=")
        return f"{self.renamed.get(name, name)}{mark}{value}"
