"""Called by hatchling while the package is built or installed for editing: compiles the catalogues of texts."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class CompileTexts(BuildHookInterface[Any]):
    """Writes texts/LANGUAGE/LC_MESSAGES/django.mo, which is not kept in the repository."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile before the files of the package are gathered."""
        sys.path.insert(0, str(Path(self.root) / "scripts"))
        from compile_texts import compile_all

        compile_all(Path(self.root) / "src" / "refettle" / "texts")
