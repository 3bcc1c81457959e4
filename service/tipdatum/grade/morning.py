"""The morning's questions, one at a time: bucket, target, reference, and the daily check on a mark."""

from __future__ import annotations

from typing import Literal, TypeAlias

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import CommandBody, Nothing, Outcome, Request, done
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import WorkState
from tipdatum.grade.surfaces import Target

QuestionName: TypeAlias = Literal["bucket", "target", "reference", "check"]

_TO_DO: dict[str, str] = {
    "bucket": "Choose the bucket that is on with bucket/choose.",
    "target": "Enter the target (target/level, target/grade, …), or take it away with target/clear.",
    "reference": "Set the reference on a mark with datum/set or mark/return, or by laser with laser/set.",
    "check": "Stand the tip on a mark that is known and send mark/check with its name.",
}


def what_to_do(question: str) -> str:
    """How to put right what a question asks about."""
    return _TO_DO[question]


def questions(state: WorkState) -> tuple[str, ...]:
    """What there is to ask about: only what was left from before."""
    asked: list[str] = ["bucket"]
    if state.target is not None:
        asked.append("target")
    if state.reference is not None:
        asked.append("reference")
    if any(mark.known for mark in state.marks.values()):
        asked.append("check")
    return tuple(asked)


def described(target: Target) -> str:
    """A target in a few words, as an operator would know it again."""
    if target.kind == "level":
        return f"level at {target.elevation_m:.3f} m"
    if target.kind == "grade":
        way = "rising" if target.grade > 0.0 else "falling"
        slope = "level" if target.grade == 0.0 else f"{way} {abs(target.grade) * 100:.2f} %"
        return f"{slope} from {target.elevation_m:.3f} m"
    if target.kind == "profile":
        return f"profile of {len(target.points)} rows"
    return f"{target.depth_m:.3f} m below the laser's plane"


def wording(question: str, state: WorkState, bucket: str) -> str:
    """The question as the operator reads it."""
    if question == "bucket":
        return f"Is the bucket {bucket} on?"
    if question == "target":
        kind = described(state.target) if state.target else "none"
        layer = f", layer {state.layer}" if state.layer else ""
        return f"Is the target still the one that was set ({kind}{layer})?"
    if question == "reference":
        mark = state.reference.mark if state.reference else None
        return f"Has the machine stood untouched since the reference was set{' on ' + mark if mark else ''}?"
    names = ", ".join(sorted(name for name, mark in state.marks.items() if mark.known))
    return f"Do the daily check on a mark now ({names})?"


class AnswerQuestion(CommandBody, title="Answer"):
    """Answer to the question that is shown."""

    question: QuestionName = Field(description="which question is answered")
    yes: bool = Field(description="yes, it is so")


def answer(site: Site, body: AnswerQuestion, request: Request) -> Outcome:
    """Take an answer; a no says what to do, and the question stays until it is done."""
    if body.question not in site.state.questions:
        asked = site.state.questions[0] if site.state.questions else "nothing"
        raise CommandRefused(f"{body.question} was not asked; now asked: {asked}.")
    if not body.yes:
        if body.question == "check":
            site.answered("check")
            return done(request, "The daily check was left out.")
        return done(request, what_to_do(body.question))
    if body.question == "check":
        return done(request, what_to_do("check"))
    if body.question == "reference":
        site.settle_doubts()
    site.answered(body.question)
    return done(request, f"{body.question.capitalize()} confirmed.")


def ask_again(site: Site, body: Nothing, request: Request) -> Outcome:
    """Ask the morning's questions now."""
    ask(site)
    return done(request, f"{len(site.state.questions)} questions.")


def ask(site: Site) -> None:
    """Ask the morning's questions, one after the other."""
    site.change(questions=questions(site.state))


def offer_check(site: Site) -> None:
    """A new day has begun while the service ran: offer the daily check, where a mark is known."""
    if "check" in questions(site.state) and "check" not in site.state.questions:
        site.change(questions=(*site.state.questions, "check"))


COMMANDS = {
    "morning/answer": Spec(AnswerQuestion, answer, "Answer the question that the state shows."),
    "morning/ask": Spec(Nothing, ask_again, "Ask the morning's questions now."),
}
