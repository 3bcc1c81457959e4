"""Every command, as typer knows it: an option that several of them take means one thing."""

from __future__ import annotations

import gzip
import inspect
import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest
import typer.main

import tipdatum.cli
from tipdatum.cli import COMMANDS, EXIT_CODES, build_app, main, options
from tipdatum.shipped import shipped

APP = typer.main.get_command(build_app())
assert isinstance(APP, click.Group) or hasattr(APP, "commands")
BY_NAME: dict[str, click.Command] = APP.commands  # type: ignore[attr-defined]
LIVE = {"watch", "send", "book", "points"}
"""Commands that talk to a running service."""

SHOWS_A_TABLE = ("from rich.table import Table", "grid(")


def shared() -> dict[str, Any]:
    """Flag → its one definition, out of the module of shared options."""
    found = {}
    for alias in vars(options).values():
        for info in getattr(alias, "__metadata__", ()):
            for flag in getattr(info, "param_decls", None) or ():
                found[flag] = info
            if isinstance(getattr(info, "default", None), str):
                found[info.default] = info
    return {flag: info for flag, info in found.items() if flag.startswith("-")}


def parameters() -> Iterator[tuple[str, click.Parameter]]:
    for name, command in BY_NAME.items():
        for parameter in command.params:
            if parameter.name != "help":
                yield name, parameter


def flags_of(name: str) -> set[str]:
    return {flag for parameter in BY_NAME[name].params for flag in parameter.opts}


def test_the_registry_is_what_the_command_line_offers() -> None:
    assert set(BY_NAME) == set(COMMANDS)
    assert {"--json", "--output", "-o", "--machine", "--machine-id", "--csv", "--write"} <= set(shared())


@pytest.mark.parametrize("flag", sorted(shared()))
def test_a_shared_option_is_the_shared_one_wherever_it_appears(flag: str) -> None:
    words = {
        getattr(parameter, "help", None): name for name, parameter in parameters() if flag in parameter.opts
    }
    assert set(words) <= {shared()[flag].help}, words


def test_no_flag_of_one_name_takes_a_value_in_one_command_and_none_in_another() -> None:
    kinds: dict[str, set[bool]] = {}
    for _, parameter in parameters():
        for flag in parameter.opts:
            if flag.startswith("-"):
                kinds.setdefault(flag, set()).add(bool(getattr(parameter, "is_flag", False)))
    assert {flag for flag, found in kinds.items() if len(found) > 1} == set()


def test_every_parameter_says_what_it_is() -> None:
    assert [(name, p.name) for name, p in parameters() if not getattr(p, "help", None)] == []


@pytest.mark.parametrize("name", sorted(LIVE))
def test_whoever_talks_to_a_service_takes_all_that_names_a_broker(name: str) -> None:
    asked = {p.annotation for p in inspect.signature(options.access_from, eval_str=True).parameters.values()}
    flags = {flag for flag, info in shared().items() if any(info in a.__metadata__ for a in asked)}
    assert len(flags) == len(asked)
    assert flags <= flags_of(name)


def test_json_is_there_wherever_a_table_is_printed() -> None:
    folder = Path(tipdatum.cli.__file__).parent
    with_table = {
        name
        for name in COMMANDS
        if any(word in (folder / f"{name}.py").read_text(encoding="utf-8") for word in SHOWS_A_TABLE)
    }
    assert {"check", "score", "budget", "verify", "noise", "ports"} <= with_table
    assert {name for name in with_table if "--json" not in flags_of(name)} == set()


def test_the_page_on_the_command_line_has_the_codes_and_the_options() -> None:
    page = (Path(tipdatum.cli.__file__).parents[1] / "docs" / "command-line.md").read_text(encoding="utf-8")
    for code, words in EXIT_CODES.items():
        assert f"| {int(code)} | {words} |" in page
    for name, text in COMMANDS.items():
        assert f"| `{name}` | {text} |" in page
    for flag in shared():
        assert f"`{flag}`" in page, flag


def test_standard_input_is_taken_for_a_file_and_standard_output_for_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    """The same bytes by way of pipes as by way of files, packed or not."""
    with gzip.open(shipped("replay_data", "trench.ndjson.gz")) as dig:
        session = b"".join(line for line, _ in zip(dig, range(3000), strict=False))
    (tmp_path / "dig.ndjson").write_bytes(session)
    plain, packed = tmp_path / "a.ndjson", tmp_path / "a.ndjson.gz"
    for target in (plain, packed):
        with pytest.raises(SystemExit) as ended:
            main(["replay", str(tmp_path / "dig.ndjson"), "-o", str(target)])
        assert ended.value.code == 0
    assert gzip.decompress(packed.read_bytes()) == plain.read_bytes() != b""
    capfdbinary.readouterr()
    stdin = io.TextIOWrapper(io.BytesIO(gzip.compress(session)))
    monkeypatch.setattr(sys, "stdin", stdin)
    with pytest.raises(SystemExit) as ended:
        main(["replay", "-", "--output", "-"])
    assert ended.value.code == 0
    assert capfdbinary.readouterr().out == plain.read_bytes()


def test_packed_messages_are_read_like_plain_ones_and_a_wrong_file_leaves_no_result(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """What `replay` writes under a name that ends in .gz, `score` and `compare` take."""
    dig = str(shipped("replay_data", "trench.ndjson.gz"))
    packed, table = tmp_path / "tip.ndjson.gz", tmp_path / "tip.csv.gz"

    def ends(*arguments: object) -> int | str | None:
        with pytest.raises(SystemExit) as ended:
            main([str(word) for word in arguments])
        return ended.value.code

    assert ends("replay", dig, "-o", packed) == 0
    assert ends("replay", dig, "-o", table) == 0
    assert gzip.decompress(table.read_bytes()).startswith(b"t,time,elevation_m,")
    assert ends("compare", packed, packed, "--session", dig) == 0
    capfd.readouterr()
    assert ends("score", dig, packed, "--json", "-o", tmp_path / "score.json.gz") == 0
    assert capfd.readouterr().out == ""
    assert json.loads(gzip.decompress((tmp_path / "score.json.gz").read_bytes()))["quality"]
    (tmp_path / "torn.gz").write_bytes(packed.read_bytes()[:3000])
    assert ends("score", dig, tmp_path / "torn.gz", "--json", "-o", tmp_path / "none.json") == 2
    told = capfd.readouterr()
    assert "damaged gzip data" in told.err
    assert told.out == ""
    assert not (tmp_path / "none.json").exists()


def test_what_came_on_standard_input_is_called_so(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b'{"kind": "session"}')))
    with pytest.raises(SystemExit) as ended:
        main(["check", "-", "--json"])
    assert ended.value.code == 2
    told = capfd.readouterr()
    assert told.err.startswith("tipdatum: -, line 1: ")
    assert json.loads(told.out)["files"] == ["-"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", shipped("config", "machines", "example.toml")],
        ["budget", shipped("config", "machines", "example.toml"), "--tolerance", "0.03"],
        ["convert", "1.2 m"],
        ["ports"],
        ["describe"],
        ["send"],
        ["send", "datum/set", "--fields"],
    ],
    ids=lambda words: words[0] if len(words) < 3 else " ".join(map(str, words[::2])),
)
def test_with_json_standard_output_is_one_document(
    arguments: list[Any], capfd: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([*map(str, arguments), "--json"])
    told = capfd.readouterr()
    assert ended.value.code == 0, told.err
    json.loads(told.out)


def test_a_shell_is_offered_commands_and_what_they_send() -> None:
    def offered(typed: str) -> str:
        environment = os.environ | {
            "_TIPDATUM_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": str(typed.count(" ")),
        }  # fmt: skip
        return subprocess.run(
            [sys.executable, "-c", "from tipdatum.cli import main; main()"],
            capture_output=True, text=True, env=environment, timeout=240, check=False,
        ).stdout  # fmt: skip

    assert "calibrate" in offered("tipdatum ca").split()
    assert "datum/set" in offered("tipdatum send datum/s").split()
    assert "--machine-id" in offered("tipdatum watch --mach").split()
    assert "de" in offered("tipdatum watch --language ").split()
    assert "packets" in offered("tipdatum sniff --kind pa").split()
    assert "complementary" in offered("tipdatum replay --estimator comp").split()
