"""What is compiled where a C compiler is there: what is written in C, and modules that are typed anyway.

Called by hatchling when a wheel is built. Where compiler or Python's headers are missing, or where compiling
fails, the wheel is pure Python and publishes the same figures, only slower; `pip -v` shows why. An editable
installation compiles what is written in C alone, beside its source: a compiled module there would hide every
change of its own. TIPDATUM_PURE=1 in the environment asks for pure Python.
"""

from __future__ import annotations

import os
import shlex
import shutil
import sysconfig
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PURE = "TIPDATUM_PURE"
# The filter's kernels, and a port's reads. Name → source.
IN_C = {
    "tipdatum.fusion.chain._kernels": Path("service/tipdatum/fusion/chain/_kernels.c"),
    "tipdatum_drivers._kept": Path("drivers/tipdatum_drivers/_kept.c"),
}
# Neither fused multiply-adds nor reordered sums: every processor and compiler gives the same figures.
FLAGS_OF_C = ["-std=gnu11", "-O3", "-fno-math-errno", "-ffp-contract=off", "-pthread"]
GROUP = "tipdatum"
NEEDED = ["mypy[mypyc]>=2.4,<3", "msgspec>=0.19", "numpy>=2", "setuptools>=65.5"]
# Types of arrays and models would make nothing faster, and reading their stubs takes longer than compiling.
# msgspec's are wanted: they tell which classes are made by its metaclass.
TYPES = """[mypy]
mypy_path = service:drivers
cache_dir = {cache}
follow_imports = silent
ignore_missing_imports = True
disable_error_code = var-annotated
[mypy-numpy.*,scipy.*,pydantic.*,pydantic_core.*,tomlkit.*,structlog.*,rich.*,paho.*,pymodbus.*,typer.*]
follow_imports = skip
"""


def can_compile() -> bool:
    """Whether a C compiler and Python's headers are here, and nobody asked for pure Python."""
    compiler = shlex.split(os.environ.get("CC") or sysconfig.get_config_var("CC") or "")
    headers = Path(sysconfig.get_path("include"), "Python.h")
    found = bool(compiler) and shutil.which(compiler[0]) is not None and headers.is_file()
    return found and os.name == "posix" and os.environ.get(PURE, "0") in ("", "0")


class CompiledParts(BuildHookInterface[Any]):
    """Adds the compiled parts to a wheel; its option `modules` lists the typed modules, as paths."""

    def dependencies(self) -> list[str]:
        """What compiling needs, asked for only where it can be done."""
        return NEEDED if can_compile() else []

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile before the wheel is put together."""
        self._folder = Path(tempfile.mkdtemp(prefix="tipdatum-build-"))
        if version == "editable":
            folders = {source.stem: Path(self.root, source).parent for source in IN_C.values()}
            for stem, folder in folders.items():
                # Of an older source, perhaps in use: taken away and not written over.
                (folder / f"{stem}{sysconfig.get_config_var('EXT_SUFFIX')}").unlink(missing_ok=True)
            for compiled in self._parts([self._in_c]).values():
                shutil.copy2(compiled, folders[compiled.name.partition(".")[0]])
            return
        for name, compiled in self._parts([self._in_c, self._modules]).items():
            build_data["force_include"][str(compiled)] = name
            build_data.update(pure_python=False, infer_tag=True)

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Clear up."""
        shutil.rmtree(self._folder, ignore_errors=True)

    def _parts(self, kinds: list[Callable[[], list[Any]]]) -> dict[str, Path]:
        """Name in the wheel → file, of each kind up to one that could not be compiled."""
        found: dict[str, Path] = {}
        for extensions in kinds if can_compile() else []:
            folder = self._folder / extensions.__name__
            lib = folder / "lib"
            # Whatever may be wrong with a compiler must not keep anybody from installing.
            try:
                build(extensions(), folder)
            except (Exception, SystemExit) as error:
                self.app.display_warning(f"not compiled, pure Python instead: {error}")
                break
            found |= {str(path.relative_to(lib)): path for path in lib.rglob("*.so")}
        return found

    def _in_c(self) -> list[Any]:
        import numpy as np
        from setuptools import Extension

        where, flags = [np.get_include()], FLAGS_OF_C
        return [
            Extension(name, [str(Path(self.root, source))], include_dirs=where, extra_compile_args=flags)
            for name, source in IN_C.items()
        ]

    def _modules(self) -> list[Any]:
        from mypyc.build import mypycify

        settings = self._folder / "mypy.ini"
        settings.write_text(TYPES.format(cache=self._folder / "types"), encoding="utf-8")
        made: list[Any] = mypycify(
            [f"--config-file={settings}", *self.config["modules"]],
            # A file each: one for all of them takes five times as long to compile.
            multi_file=True,
            opt_level="1",
            debug_level="0",
            group_name=GROUP,
            target_dir=str(self._folder / "c"),
        )
        return made


def build(extensions: list[Any], folder: Path) -> None:
    """Compile and link extensions into `folder`/lib, on all processors."""
    from setuptools import Distribution
    from setuptools.command.build_ext import build_ext

    class OnAllProcessors(build_ext):
        def build_extensions(self) -> None:
            one_by_one = self.compiler.compile

            def compiled(sources: list[str], **how: Any) -> list[str]:
                with ThreadPoolExecutor(os.cpu_count()) as pool:
                    made = pool.map(lambda source: one_by_one([source], **how), sources)
                    return [name for names in made for name in names]

            self.compiler.compile = compiled
            super().build_extensions()

    command = OnAllProcessors(Distribution({"name": "tipdatum", "ext_modules": extensions}))
    command.build_lib, command.build_temp = str(folder / "lib"), str(folder / "objects")
    command.ensure_finalized()
    command.run()
