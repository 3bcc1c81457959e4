"""Everything that is measured, on one page:

    python tests/benchmarks/measured.py [SECTION ...] [--list] [--page FILE]

Runs the benchmark of each named section (all of them without a name; that takes an hour or two) and writes
its table into `service/tipdatum/docs/measured.md`, with date, commit and computer. Sections that are not
named stay as they were, each with the date and the commit of its own run. A benchmark tells its table by
writing `NAME.md` into the folder of its `--results`, or by printing it.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import shlex
import subprocess
import sys
import tempfile
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "service" / "tipdatum" / "docs" / "measured.md"
RESULTS = "RESULTS"
"""Stands for the folder that a benchmark writes into, among its arguments."""

HEAD = """# What is measured

Written by `python tests/benchmarks/measured.py`; edit the benchmarks, not this page. Each section says which
command made it, when, from which commit and on which computer. Times depend on the computer: the ratios
beside them, to a reference in the same run, do so much less. Accuracy is that of the estimator on simulated
machines: pin play, temperature and soft ground of a real machine come on top, as
[the estimator](estimator.md) tells.
"""


@dataclass(frozen=True, slots=True)
class Section:
    """One benchmark on the page: `script` below `tests/`, `arguments` with `RESULTS` for its folder."""

    title: str
    tells: str
    script: str
    arguments: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """What the command line calls it: the script's name."""
        return Path(self.script).stem

    @property
    def command(self) -> str:
        """What a reader types to make it again."""
        shown = [a for a in self.arguments if a not in {RESULTS, "--results"}]
        return shlex.join(["python", f"tests/{self.script}", *shown])


SECTIONS = (
    Section(
        "Tip elevation, all filters",
        "RMS error of the elevation at the emit time, against the truth of the public sessions. `vqf` with "
        "its defaults and with a time constant chosen on these sessions is the yardstick; ours is `chain`.",
        "benchmarks/fusion_accuracy.py",
        ("--results", RESULTS),
    ),
    Section(
        "Arms with one more joint",
        "A second boom, a boom that swings at its foot with and without an encoder, a bucket that tilts "
        "sideways: heights of edge and corners, cross fall, and the joints themselves.",
        "benchmarks/arm_joints.py",
    ),
    Section(
        "Sigma, session by session",
        "How often the truth lies within the stated sigma, over several references in each session, with the "
        "half of the sessions that constants were chosen on and the other half apart.",
        "benchmarks/stated_sigma.py",
    ),
    Section(
        "Starts at any moment",
        "Every public session begun at many moments: arms lost, and figures called good that are wrong.",
        "benchmarks/starts.py",
    ),
    Section(
        "Faults",
        "What a fault of a sensor or line costs: figures still published as good or moving that are off by "
        "more than 20 mm and 3 sigma from the unspoilt run, and how soon the sensor is named.",
        "benchmarks/fault_campaign.py",
        ("--results", RESULTS, "--cases", "2", "--seed", "5", "--processes", "2", "--day"),
    ),
    Section(
        "Every mix of sensors",
        "The public hobby sessions with gyros taken away, readings thinned without a low-pass, sensors "
        "turned into inclinometers or late.",
        "benchmarks/sensor_mixes.py",
        ("--results", RESULTS),
    ),
    Section(
        "Inclinometers alone",
        "The estimator for arms without any gyro, beside the complementary filter.",
        "benchmarks/inclinometer_accuracy.py",
        ("--results", RESULTS),
    ),
    Section(
        "Against the ground",
        "The slew centre of a rocking machine rises and falls; with `[undercarriage]` that is estimated. "
        "The sessions do not describe their tracks: 3.2 m by 2.2 m are taken.",
        "benchmarks/heave_accuracy.py",
        ("--results", RESULTS),
    ),
    Section(
        "Doubt",
        "Which signs notice that the machine has moved, what they miss, and false alarms.",
        "benchmarks/doubt_signs.py",
        ("--results", RESULTS, "--moments", "8", "--processes", "2"),
    ),
    Section(
        "Hours in one filter",
        "A session over and over with one reference, every lap with all sensors lost and back.",
        "benchmarks/fusion_soak.py",
        ("--hours", "4"),
    ),
    Section(
        "Calibration",
        "Tip error before and after on the simulated retrofit, with all postures and with the guide's own.",
        "benchmarks/calibrate_retrofits.py",
    ),
    Section(
        "The guide's order of readings",
        "How many readings until the tip is known: the guide's order beside the file's and random ones.",
        "benchmarks/guide_orders.py",
        ("--readings", "42", "--brief"),
    ),
    Section(
        "Starts from single-joint motions",
        "What positions and latencies out of motions do for the first minutes after a start.",
        "benchmarks/starts_from_motions.py",
    ),
    Section(
        "Spoilt calibrations",
        "Slips that people make while they measure: named, or unseen, and what an unseen one does.",
        "benchmarks/spoilt_retrofits.py",
        ("--machines", "1", "--pairs", "3", "--processes", "2", "--brief"),
    ),
    Section(
        "Cost of the service",
        "Replay speed, processor time of a live run with five sensors, time to the first message.",
        "benchmarks/service_cost.py",
        ("--results", RESULTS),
    ),
    Section(
        "How often figures come",
        "What 50, 25 and 20 figures a second cost, how old a figure is when it comes, and how old the last "
        "one is for who looks at any moment.",
        "benchmarks/tick_rates.py",
        ("--results", RESULTS),
    ),
    Section(
        "Latency from line to subscriber",
        "Encoders on pseudo-terminals, the service, mosquitto, a subscriber, as ratios to a bare forwarder.",
        "harness/latency.py",
    ),
    Section(
        "From message to pixel",
        "The page in a browser at 50 messages a second: when digits and pixels follow a message.",
        "harness/latency_page.py",
    ),
    Section(
        "Ways of sending",
        "Ten messages a tick at 50 Hz by our own packets and by the library alone, in alternating rounds.",
        "benchmarks/bus_ways.py",
    ),
    Section(
        "Many machines on one broker",
        "A hundred machines at 20 Hz, then doubled until the broker is full.",
        "benchmarks/load_machines.py",
    ),
    Section(
        "Recovery from faults of network and broker",
        "Time to the first new figure, and what was lost.",
        "benchmarks/load_faults.py",
    ),
    Section(
        "The page's frames",
        "Frames a second at 50 messages a second on a processor that is held back.",
        "benchmarks/display_frames.py",
        ("--results", RESULTS),
    ),
)


def computer() -> str:
    """The computer in a few words, with how busy it was."""
    load = os.getloadavg()[0]
    return (
        f"{os.cpu_count()} processors, {platform.machine()}, Python {platform.python_version()}, "
        f"load {load:.1f} at the start"
    )


def commit() -> str:
    """The commit that is checked out, short, with a plus where files differ from it."""
    told = subprocess.run(
        ["git", "describe", "--always", "--exclude=*", "--abbrev=10", "--dirty=+"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return told.stdout.strip() or "unknown"


def measure(section: Section) -> str:
    """Run one benchmark; its section of the page.

    Raises:
        RuntimeError: the benchmark failed; with what it printed last.
    """
    about = f"`{section.command}` · {datetime.now(UTC):%Y-%m-%d} · commit {commit()} · {computer()}"
    with tempfile.TemporaryDirectory() as folder:
        arguments = [folder if a == RESULTS else a for a in section.arguments]
        done = subprocess.run(
            [sys.executable, str(ROOT / "tests" / section.script), *arguments],
            capture_output=True, text=True, check=False, env=os.environ | {"COLUMNS": "110"},
        )  # fmt: skip
        if done.returncode != 0:
            raise RuntimeError(f"{section.name} failed:\n{(done.stdout + done.stderr)[-2000:]}")
        written = Path(folder) / f"{section.name}.md"
        body = (
            as_part(written.read_text(encoding="utf-8"))
            if written.exists()
            else f"```\n{(done.stdout or done.stderr).strip()}\n```"
        )
    return f"## {section.title}\n\n{section.tells}\n\n{about}\n\n{body}\n"


def as_part(page: str) -> str:
    """A benchmark's own page as a part of ours: without its title, headings one step lower."""
    lines = page.strip().splitlines()
    if lines and lines[0].startswith("# "):
        lines = lines[1:]
    return "\n".join(re.sub(r"^(#+ )", r"#\1", line) for line in lines).strip()


def sections_of(page: str) -> dict[str, str]:
    """The sections of a written page by their title, each with its heading."""
    parts = re.split(r"^(?=## )", page, flags=re.MULTILINE)[1:]
    return {part.splitlines()[0][3:]: part.strip() + "\n" for part in parts}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("sections", nargs="*", metavar="SECTION", help="names as --list shows them")
    parser.add_argument("--list", action="store_true", help="name the sections and stop")
    parser.add_argument("--page", type=Path, default=PAGE)
    parser.add_argument("--with", dest="more", default="", help="further arguments of the one named section")
    options = parser.parse_args()
    if options.list:
        for section in SECTIONS:
            print(f"{section.name:24} {section.title}")
        return
    unknown = set(options.sections) - {s.name for s in SECTIONS}
    if unknown:
        parser.error(f"no section is called {', '.join(sorted(unknown))}; --list names them")
    failed = False
    for section in SECTIONS:
        if options.sections and section.name not in options.sections:
            continue
        if options.more:
            section = replace(section, arguments=(*section.arguments, *shlex.split(options.more)))
        print(f"{section.name} …", flush=True)
        try:
            fresh = measure(section)
        except RuntimeError as trouble:
            print(trouble, file=sys.stderr)
            failed = True
            continue
        old = sections_of(options.page.read_text(encoding="utf-8")) if options.page.exists() else {}
        kept = old | {section.title: fresh}
        body = "\n".join(kept[s.title] for s in SECTIONS if s.title in kept)
        options.page.write_text(f"{HEAD}\n{body}", encoding="utf-8")
    if failed:
        sys.exit(1)


if __name__ == "__main__":
    main()
