"""A bucket in a file of its own: named by several machines, overridden by one, wrong by its own name."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tipdatum.calibration.description import rewritten
from tipdatum.errors import ConfigError
from tipdatum.machine.description import Machine, load_machine, parse_machine

ARM = 'name = "m"\n{top}\n[boom]\nfoot_m = [0.3, 0.0, 1.7]\nlength_m = 4.6\n[stick]\nlength_m = 2.5\n{rest}\n'
NARROW = 'name = "narrow"\ntip_m = 1.2\nwidth_m = 0.4\n'
WIDE = 'name = "wide"\ntip_m = 1.0\nwidth_m = 1.8\nfloor_angle_deg = 20.0\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """With the folders machines/ and buckets/, two buckets in it."""
    for name, text in (("narrow", NARROW), ("wide", WIDE)):
        path = tmp_path / "buckets" / f"{name}.toml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    (tmp_path / "machines").mkdir()
    return tmp_path


def machine_file(folder: Path, top: str = "", rest: str = "") -> Path:
    path = folder / "machines" / "digger.toml"
    path.write_text(ARM.format(top=top, rest=rest), encoding="utf-8")
    return path


def whole(folder: Path, *tables: str) -> Machine:
    """The same machine with its buckets' tables written out."""
    rest = "".join(f"[[bucket]]\n{table}" for table in tables)
    return parse_machine(tomllib.loads(ARM.format(top="", rest=rest)), "whole")


@pytest.mark.parametrize(
    ("top", "rest", "tables"),
    [
        ('bucket = "../buckets/narrow.toml"', "", [NARROW]),
        ('bucket = ["../buckets/wide.toml", "../buckets/narrow.toml"]', "", [WIDE, NARROW]),
        ("", '[[bucket]]\nfile = "../buckets/wide.toml"\n[[bucket]]\n' + NARROW, [WIDE, NARROW]),
        ('bucket = ["../buckets/narrow.toml", {file = "../buckets/wide.toml"}]', "", [NARROW, WIDE]),
    ],
    ids=["one", "a list", "in tables", "mixed"],
)
def test_a_bucket_that_is_named_is_one_that_is_written_out(
    folder: Path, top: str, rest: str, tables: list[str]
) -> None:
    assert load_machine(machine_file(folder, top, rest)) == whole(folder, *tables)


def test_what_stands_beside_the_file_goes_before_it(folder: Path) -> None:
    path = machine_file(folder, rest='[[bucket]]\nfile = "../buckets/wide.toml"\ntip_m = 1.02\n')
    bucket = load_machine(path).bucket[0]
    assert (bucket.tip_m, bucket.width_m, bucket.floor_angle_deg) == (1.02, 1.8, 20.0)


def test_what_is_wrong_in_a_bucket_s_file_is_told_by_its_name(folder: Path) -> None:
    (folder / "buckets" / "wide.toml").write_text(WIDE.replace("1.8", "1800"), encoding="utf-8")
    path = machine_file(folder, 'bucket = ["../buckets/narrow.toml", "../buckets/wide.toml"]')
    with pytest.raises(
        ConfigError, match=r"[^.]/buckets/wide\.toml: width_m: found 1800, which looks like millimetres"
    ):
        load_machine(path)


@pytest.mark.parametrize(
    ("top", "rest", "told"),
    [
        (
            'bucket = "no.toml"',
            "",
            'digger.toml: bucket: found "no.toml", which does not exist; expected the',
        ),
        ('bucket = ["no.toml"]', "", 'digger.toml: bucket[0]: found "no.toml"'),
        ("", "[[bucket]]\nfile = 3\n", "digger.toml: bucket[0].file: found 3; expected the path of a bucket"),
        ('bucket = "digger.toml"', "", "digger.toml: boom: found a machine's description; expected name"),
        (
            'bucket = ["../buckets/wide.toml", "../buckets/wide.toml"]',
            "",
            'bucket[1].name: found "wide"; expected a name that no other of the buckets has',
        ),
        (
            "",
            '[[bucket]]\nfile = "../buckets/wide.toml"\ntipp_m = 1.0\n',
            'digger.toml: bucket[0].tipp_m: unknown key; did you mean "tip_m"?',
        ),
    ],
)
def test_a_name_that_leads_to_no_bucket_is_told_by_file_and_key(
    folder: Path, top: str, rest: str, told: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        load_machine(machine_file(folder, top, rest))
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("top", "rest"),
    [
        ('bucket = "../buckets/wide.toml"  # my only one', ""),
        ('bucket = ["../buckets/wide.toml", "../buckets/narrow.toml"]  # both', ""),
        ("", '[[bucket]]\nfile = "../buckets/wide.toml"  # the wide one\n'),
    ],
    ids=["one", "a list", "in a table"],
)
def test_what_a_calibration_finds_stands_beside_the_file_s_name(folder: Path, top: str, rest: str) -> None:
    path = machine_file(folder, top, rest)
    before = load_machine(path)
    path.write_text(rewritten(path.read_text(), {"bucket": [{"tip_m": 1.012, "tip_sigma_m": 0.002}]}))
    after = load_machine(path)
    assert after.bucket[0] == before.bucket[0].model_copy(update={"tip_m": 1.012, "tip_sigma_m": 0.002})
    assert after.bucket[1:] == before.bucket[1:]
    assert (folder / "buckets" / "wide.toml").read_text() == WIDE
    assert (top + rest).split("#")[1].strip() in path.read_text()


def test_a_recording_s_header_holds_the_bucket_whole(folder: Path) -> None:
    machine = load_machine(machine_file(folder, 'bucket = "../buckets/wide.toml"'))
    header = machine.model_dump(mode="json", exclude_none=True)
    assert parse_machine(header, "header") == machine
