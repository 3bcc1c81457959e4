"""The morning's questions, one at a time: bucket, target, reference, and the daily check on a mark."""

from __future__ import annotations

from typing import Literal, TypeAlias

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.forms import CommandBody, Nothing, Outcome, Request, done
from tipdatum.grade.site import Site, Spec
from tipdatum.grade.state import WorkState
from tipdatum.grade.surfaces import Target
from tipdatum.sentences import sentence

QuestionName: TypeAlias = Literal["bucket", "target", "reference", "check"]

_TO_DO: dict[str, str] = {
    "bucket": sentence("do-bucket"),
    "target": sentence("do-target"),
    "reference": sentence("do-reference"),
    "check": sentence("do-check"),
}

_CONFIRMED: dict[str, str] = {
    "bucket": sentence("question-confirmed-bucket"),
    "target": sentence("question-confirmed-target"),
    "reference": sentence("question-confirmed-reference"),
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
        return sentence("target-is-level", elevation_m=target.elevation_m)
    if target.kind == "grade":
        rises = target.grade > 0.0
        way = sentence("plain-rising" if rises else "plain-falling", rise_grade=target.grade)
        slope = way if target.grade else sentence("way-level")
        return sentence("target-is-grade", way=slope, elevation_m=target.elevation_m)
    if target.kind == "ditch":
        return sentence("target-is-ditch", width_coarse_m=target.bottom_m, elevation_m=target.elevation_m)
    if target.kind == "profile":
        return sentence("target-is-profile", count=len(target.points))
    return sentence("target-is-below", depth_m=target.depth_m)


def wording(question: str, state: WorkState, bucket: str) -> str:
    """The question as the operator reads it."""
    if question == "bucket":
        return sentence("ask-bucket", bucket=bucket)
    if question == "target":
        kind = described(state.target) if state.target else sentence("target-is-none")
        layer = sentence("on-layer", layer=state.layer) if state.layer else ""
        return sentence("ask-target", target=kind, layer=layer)
    if question == "reference":
        mark = state.reference.mark if state.reference else None
        return sentence("ask-reference-on", mark=mark) if mark else sentence("ask-reference")
    names = ", ".join(sorted(name for name, mark in state.marks.items() if mark.known))
    return sentence("ask-check", names=names)


class AnswerQuestion(CommandBody, title="Answer"):
    """Answer to the question that is shown."""

    question: QuestionName = Field(description="which question is answered")
    yes: bool = Field(description="yes, it is so")


def answer(site: Site, body: AnswerQuestion, request: Request) -> Outcome:
    """Take an answer; a no says what to do, and the question stays until it is done."""
    if body.question not in site.state.questions:
        asked = site.state.questions[0] if site.state.questions else "nothing"
        raise CommandRefused(sentence("question-not-asked", question=body.question, asked=asked))
    if not body.yes:
        if body.question == "check":
            site.answered("check")
            return done(request, sentence("check-left-out"))
        return done(request, what_to_do(body.question))
    if body.question == "check":
        return done(request, what_to_do("check"))
    if body.question == "reference":
        site.settle_doubts()
    site.answered(body.question)
    return done(request, _CONFIRMED[body.question])


def ask_again(site: Site, body: Nothing, request: Request) -> Outcome:
    """Ask the morning's questions now."""
    ask(site)
    return done(request, sentence("questions-asked", count=len(site.state.questions)))


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
