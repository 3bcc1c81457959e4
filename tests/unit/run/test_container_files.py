"""The container's files name what is there, and build and run where an engine is."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

from tipdatum.config import ServiceFile

ROOT = Path(__file__).parents[3]
CONTAINER = ROOT / "config" / "container"
ENGINE = next(
    (
        engine
        for engine in ("podman", "docker", "buildah")
        if shutil.which(engine)
        and subprocess.run([engine, "info"], capture_output=True, timeout=60, check=False).returncode == 0
    ),
    None,
)
# buildah needs neither a daemon nor namespaces this way.
ISOLATION = ("--isolation", "chroot") if ENGINE == "buildah" else ()


def test_the_service_file_is_one() -> None:
    ServiceFile.model_validate(tomllib.loads((CONTAINER / "service.toml").read_text(encoding="utf-8")))


def test_everything_that_compose_mounts_is_there() -> None:
    text = (CONTAINER / "compose.yaml").read_text(encoding="utf-8")
    mounted = re.findall(r"^ +- (\.[^:]*):", text, re.MULTILINE)
    assert mounted
    assert [path for path in mounted if not (CONTAINER / path).exists()] == []
    assert re.search(r"dockerfile: (\S+)", text)[1] == "config/container/Containerfile"  # type: ignore[index]


def test_ports_are_published_on_this_computer_only() -> None:
    text = (CONTAINER / "compose.yaml").read_text(encoding="utf-8")
    published = re.findall(r"^ +- (\S*\d+:\d+)$", text, re.MULTILINE)
    assert len(published) == 3
    assert all(port.startswith("127.0.0.1:") for port in published)


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.skipif(ENGINE is None, reason="neither podman nor docker nor buildah runs here")
def test_the_image_is_built_and_tells_its_version() -> None:
    assert ENGINE is not None
    file = "config/container/Containerfile"
    build = [ENGINE, "build", *ISOLATION, "-f", file, "-t", "tipdatum-test", "."]
    done = subprocess.run(build, cwd=ROOT, capture_output=True, text=True, timeout=900, check=False)
    said = done.stdout + done.stderr
    if done.returncode and re.search(r"no such host|dial tcp|registry|timeout|Retrying \(Retry", said):
        pytest.skip("the base image or the packages cannot be fetched here")
    assert done.returncode == 0, said
    assert told(ENGINE, "--version").startswith("tipdatum ")


def told(engine: str, *arguments: str) -> str:
    """What the image's command says; buildah runs a command in a container, but knows no entry point."""

    def done(*words: str) -> str:
        command = [engine, *words]
        return subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout

    if engine != "buildah":
        return done("run", "--rm", "tipdatum-test", *arguments)
    container = done("from", "--pull-never", "tipdatum-test").strip()
    try:
        return done("run", *ISOLATION, container, "--", "tipdatum", *arguments)
    finally:
        done("rm", container)
