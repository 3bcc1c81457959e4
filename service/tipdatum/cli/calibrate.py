"""`tipdatum calibrate`: observations into a machine description, with proof."""

from __future__ import annotations

import datetime
import sys
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from tipdatum.calibration import description, report
from tipdatum.calibration.adjustment import Solution, adjust
from tipdatum.calibration.candidates import suggestions
from tipdatum.calibration.following import follow
from tipdatum.calibration.joint_steps import usual_steps
from tipdatum.calibration.observations import ACCEPTANCE, Observation, ObservationBook, without_doubles
from tipdatum.calibration.observations_file import load_observations
from tipdatum.calibration.outcome import CalibrationOutcome, conclude
from tipdatum.calibration.plan import rank
from tipdatum.calibration.recordings import RecordedEvidence, gather
from tipdatum.calibration.statistics import determined
from tipdatum.calibration.unknowns import make_setup
from tipdatum.calibration.verification import of_method, verify
from tipdatum.cli import Exit
from tipdatum.cli import capture as capturing
from tipdatum.cli.account import account
from tipdatum.cli.inputs import read_machine
from tipdatum.cli.options import (
    Json,
    MachineFile,
    MachineId,
    Output,
    ReadersLanguage,
    Sessions,
    print_json,
    speech_for,
    talker,
    with_options,
)
from tipdatum.display.calibration.sheet import sheet
from tipdatum.display.report.words import UNITS, Words
from tipdatum.errors import InputError
from tipdatum.machine.description import Machine
from tipdatum.results import STANDARD, write_text
from tipdatum.sentences import counted, said
from tipdatum.walltime import to_the_second

__all__ = ["calibrate"]

CAUTION = (
    "Before anyone goes near the arm: bucket grounded or blocked, lever locked, engine off and key out, "
    "pressure released. Never under a raised boom."
)


@dataclass(frozen=True, slots=True)
class Capture:
    """What to capture before it is solved, as the options say; nothing where `capture_from` is None."""

    capture_from: Annotated[
        str | None,
        typer.Option(
            "--capture",
            help="Capture first: mqtt://HOST:PORT, or a recording, also one that is still written.",
        ),
    ] = None
    machine_id: MachineId = None
    step: Annotated[
        list[str] | None, typer.Option(help=f"What to capture: {capturing.STEPS}; default the first three.")
    ] = None
    standing: Annotated[
        str, typer.Option(help="Name of the place and heading of the tracks; a new one after every travel.")
    ] = "S1"

    def carried_out(
        self, console: Console, described: Machine, observations: Path, folders: list[Path]
    ) -> ObservationBook:
        """The book of `observations`, begun where it is not there yet, with what was captured."""
        assert self.capture_from is not None
        console.print(CAUTION)
        known = observations.exists()
        begun = load_observations(observations) if known else ObservationBook(machine=described.name)
        steps = self.step or usual_steps(described)
        return capturing.capture(
            console, described, begun, observations, folders, self.capture_from,
            self.machine_id or "machine", steps, self.standing,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Writing:
    """Whether the description may be written, as the options say."""

    yes: Annotated[
        bool, typer.Option("--yes", "-y", help="Write an accepted calibration without asking.")
    ] = False
    accept_doubtful: Annotated[
        bool,
        typer.Option(
            "--accept-doubtful", help="Write a doubtful or refused calibration too; the file then says so."
        ),
    ] = False
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show everything, write nothing.")] = False


@with_options("capture", Capture)
@with_options("writing", Writing)
def calibrate(
    machine: MachineFile,
    observations: Annotated[Path, typer.Argument(help="Observations file (TOML or JSON).")],
    capture: Capture,
    writing: Writing,
    sessions: Sessions = None,
    output: Output = None,
    method: Annotated[
        list[str] | None, typer.Option(help="Only observations of this method; may be given several times.")
    ] = None,
    leave_out: Annotated[list[str] | None, typer.Option(help="Id of an observation to leave out.")] = None,
    follow_guide: Annotated[
        bool,
        typer.Option(
            "--follow-guide", help="Use only the postures that the guide asks for, one after the other."
        ),
    ] = False,
    report_file: Annotated[
        Path | None,
        typer.Option("--report", help="HTML file for a report of it: misfits, postures, verdict."),
    ] = None,
    language: ReadersLanguage = "en",
    as_json: Json = False,
) -> None:
    """Solve for mounts, biases and lengths, say how well they are known, and write the description."""
    if as_json and output == STANDARD:
        raise InputError("--json and --output - both want standard output: give one of them a file")
    console = talker(output, as_json=as_json)
    speech = speech_for(language)
    described, text = read_machine(machine)
    folders = sessions or [observations.parent]
    if capture.capture_from is None:
        book = load_observations(observations)
    else:
        book = capture.carried_out(console, described, observations, folders)
    chosen = book.solving(method or (), leave_out or ())
    if capture.capture_from is not None and not any(o.place for o in chosen):
        console.print("Nothing to solve yet: no posture has been captured.")
        return
    if not chosen:
        raise InputError(f"{observations}: no observation to solve with (acceptance ones never are)")
    chosen = _without_doubles(console, chosen)
    evidence = gather(book, folders, chosen)
    now = datetime.datetime.now(datetime.UTC)
    try:
        solution, outcome = _solve(console, described, book, chosen, evidence, now, by_guide=follow_guide)
    except ValueError as error:
        raise InputError(f"{observations}: {error}") from None
    except InputError as error:
        raise InputError(f"{observations}: the solution is no machine ({error})") from None
    _print(console, report.summary(outcome))
    if not outcome.possible and outcome.explanation is not None:
        console.print(f"If {outcome.explanation.words}:", markup=False)
    console.print(outcome.budget.words)
    for line in outcome.budget.beside_words:
        console.print(line)
    accepted = _accept(console, outcome, book, folders)
    # Where the case as told gives no machine there is no posture to be better known in either.
    ranked = rank(solution, suggestions(solution)) if outcome.possible else []
    _print(console, report.next_postures(ranked, outcome.budget.besides_m))
    _print(console, report.verdict_lines(outcome, lambda text: speech.said(said(text), text)))
    if as_json:
        print_json(_plain(outcome))
    target = output or (machine if machine.suffix == ".toml" else None)
    kept = _write(console, outcome, text, target, writing, now)
    if report_file is not None:
        told = replace(account(outcome, ranked, kept), acceptance=accepted)
        write_text(report_file, sheet(told, Words.of(UNITS["m"], language)))
        console.print(f"Report: {report_file}")
    if outcome.verdict.word == "refused":
        raise typer.Exit(Exit.NO)
    if outcome.verdict.word == "doubtful":
        raise typer.Exit(Exit.DOUBTFUL)


def _without_doubles(console: Console, chosen: tuple[Observation, ...]) -> tuple[Observation, ...]:
    """Those that count; tells of the others."""
    chosen, doubles = without_doubles(chosen)
    for double, first in doubles:
        console.print(
            f"{double} repeats {first} figure for figure and does not count; if it was measured anew, give "
            "it repeated = true.",
            markup=False,
        )
    return chosen


def _solve(
    console: Console,
    described: Machine,
    book: ObservationBook,
    chosen: tuple[Observation, ...],
    evidence: RecordedEvidence,
    now: datetime.datetime,
    *,
    by_guide: bool,
) -> tuple[Solution, CalibrationOutcome]:
    """What the observations say of the machine, and what that comes to; tells what was left aside.

    Raises:
        ValueError: they say nothing, or contradict each other. InputError: the machine is none.
    """
    tell = Progress(console)
    try:
        if by_guide:
            result = follow(
                described, book.model_copy(update={"observation": chosen}), evidence, tell=tell.say
            )
            solution = result.solution
            _print(console, report.followed(result))
            for name in result.misfits:
                console.print(f"  A posture left aside holds an observation that does not fit: {name}")
        else:
            solution = adjust(make_setup(described, chosen, evidence, book.assume), tell.say)
        return solution, conclude(solution, book.digest(), to_the_second(now), tell.say)
    finally:
        tell.done()


class Progress:
    """One line that says what a long solution is doing: rewritten on a terminal, nothing elsewhere."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._shown = False

    def say(self, text: str) -> None:
        """What is being done now."""
        if self._console.is_terminal:
            self._console.file.write("\r\x1b[K" + text[: self._console.width - 1])
            self._console.file.flush()
            self._shown = True

    def done(self) -> None:
        """The line is empty again."""
        if self._shown:
            self._console.file.write("\r\x1b[K")
            self._console.file.flush()


def _plain(outcome: CalibrationOutcome) -> dict[str, Any]:
    """What was found, in the units of the unknowns' names."""
    solution = outcome.solution
    return {
        "verdict": outcome.verdict.word,
        "reasons": outcome.verdict.reasons,
        "settle": outcome.verdict.settle,
        "explanation": outcome.explanation.words if outcome.explanation else None,
        "factor": solution.factor,
        "rejected": list(solution.rejected),
        "unchecked": [r.id for r in outcome.unchecked],
        "reliability": [asdict(r) for r in outcome.checked],
        "predicted_rms_m": outcome.budget.rms_m,
        "predicted_max_m": outcome.budget.worst_m,
        "unknowns": [asdict(d) for d in determined(solution)],
    }


def _accept(
    console: Console, outcome: CalibrationOutcome, book: ObservationBook, folders: list[Path]
) -> tuple[int, float, float] | None:
    """The acceptance set before and after, if there is one: it took no part in the solution.

    Returns:
        Points, their RMS and the half-width of 95 % after, m.
    """
    chosen = of_method(book, ACCEPTANCE)
    if not chosen:
        return None
    try:
        evidence = gather(book, folders, chosen)
        after = verify(outcome.machine, chosen, evidence)
    except (InputError, ValueError) as error:
        console.print(f"The acceptance set was not looked at: {error}", markup=False)
        return None
    try:
        before = f"{1000 * verify(outcome.solution.setup.machine, chosen, evidence).rms_m:.1f} mm"
    except ValueError:
        before = "no figure (the linkage as described cannot close)"
    console.print(
        f"Acceptance set, {counted(len(after.points), 'point')} that took no part: {before} RMS before, "
        f"{1000 * after.rms_m:.1f} mm after, 95 % within ±{1000 * after.half_width_95_m:.1f} mm."
    )
    return len(after.points), after.rms_m, after.half_width_95_m


def _write(
    console: Console,
    outcome: CalibrationOutcome,
    text: str,
    target: Path | None,
    writing: Writing,
    now: datetime.datetime,
) -> bool:
    """Write the description if it may be; whether it was."""
    if not outcome.possible:
        console.print("Nothing written: as told, these observations fit no machine.")
        return False
    name = str(target or "description")
    before = target.read_text(encoding="utf-8") if target is not None and target.exists() else text
    after = description.written(before, outcome.values, outcome.said, outcome.origin, name)
    console.print(description.difference(before, after, name), markup=False)
    word = outcome.verdict.word
    if writing.dry_run or target is None:
        why = (
            "--dry-run"
            if writing.dry_run
            else "a recording carries the description; name a file with --output"
        )
        console.print(f"Nothing written ({why}).")
        return False
    if word != "accepted" and not writing.accept_doubtful:
        console.print(
            f"Nothing written: the calibration is {word}. --accept-doubtful writes it all the same."
        )
        return False
    if target == STANDARD:
        write_text(target, after)
        return True
    if not writing.yes and not (word != "accepted" and writing.accept_doubtful):
        if not sys.stdin.isatty():
            console.print("Nothing written: nobody to ask. Say --yes to write.")
            return False
        if not typer.confirm(f"Write {target}?"):
            console.print("Nothing written.")
            return False
    expected = before if target.exists() else None
    kept = description.write(target, after, now.strftime("%Y%m%d-%H%M%S"), expected)
    console.print(f"Written {target}." + (f" The one before is kept as {kept.name}." if kept else ""))
    return True


def _print(console: Console, lines: Any) -> None:
    for line in lines:
        console.print(line, markup=False)
