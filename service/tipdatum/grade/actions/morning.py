"""Morning: what is asked after a start, one question at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from tipdatum.errors import CommandRefused
from tipdatum.grade.morning import QuestionName, what_to_do
from tipdatum.grade.outcome import Body, Nothing, Order, Outcome, Spec, done

if TYPE_CHECKING:
    from tipdatum.grade.work import Work


class Answer(Body):
    """Answer to the question that is shown."""

    question: QuestionName = Field(description="which question is answered")
    yes: bool = Field(description="yes, it is so")


def answer(work: Work, body: Answer, order: Order) -> Outcome:
    """Take an answer; a no says what to do, and the question stays until it is done."""
    if body.question not in work.state.questions:
        asked = work.state.questions[0] if work.state.questions else "nothing"
        raise CommandRefused(f"{body.question} was not asked; now asked: {asked}.")
    if not body.yes:
        if body.question == "check":
            work.answered("check")
            return done(order, "The daily check was left out.")
        return done(order, what_to_do(body.question))
    if body.question == "check":
        return done(order, what_to_do("check"))
    if body.question == "reference":
        work.settle_doubts()
    work.answered(body.question)
    return done(order, f"{body.question.capitalize()} confirmed.")


def ask_again(work: Work, body: Nothing, order: Order) -> Outcome:
    """Ask the morning's questions now."""
    work.ask()
    return done(order, f"{len(work.state.questions)} questions.")


COMMANDS = {
    "morning/answer": Spec(Answer, answer, "Answer the question that the state shows."),
    "morning/ask": Spec(Nothing, ask_again, "Ask the morning's questions now."),
}
