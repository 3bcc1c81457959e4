"""`tipdatum describe`: the message contract, as a document for programs or a table for people."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from tipdatum.bus.contract import GUIDE, MESSAGES, PER_SENSOR, asyncapi, json_schemas
from tipdatum.bus.contract_versions import VERSIONS
from tipdatum.bus.messages import CONTRACT_VERSION
from tipdatum.bus.topics import DELIVERY, ROOT, Delivery
from tipdatum.cli.options import Json, Output, OutputDir, TopicRoot
from tipdatum.errors import InputError
from tipdatum.grade.commands import COMMANDS
from tipdatum.results import STANDARD, write_text


def describe(
    table: Annotated[bool, typer.Option("--table", help="Topics and commands as a table.")] = False,
    as_json: Json = False,
    output: Output = None,
    output_dir: OutputDir = None,
    topic_root: TopicRoot = ROOT,
) -> None:
    """Print the contract of the bus as an AsyncAPI 3.0 document (JSON), or write it with all schemas."""
    if table and (output is not None or output_dir is not None):
        raise InputError("--table is for people and goes to the terminal; leave it out for a file")
    folder = output_dir or (output if output is not None and output.is_dir() else None)
    if folder is not None:
        for path in write(folder, topic_root):
            typer.echo(path)
    elif table and not as_json:
        _table(Console())
    else:
        document = json.dumps(asyncapi(topic_root), indent=2, ensure_ascii=False) + "\n"
        write_text(output or STANDARD, document)


def write(folder: Path, topic_root: str = ROOT) -> list[Path]:
    """Write the document and the schemas into `folder`.

    Raises:
        InputError: it cannot be written.
    """
    files = {folder / "asyncapi.json": asyncapi(topic_root)}
    files |= {folder / "schemas" / f"{name}.json": schema for name, schema in json_schemas().items()}
    try:
        (folder / "schemas").mkdir(parents=True, exist_ok=True)
        for path, document in files.items():
            write_text(path, json.dumps(document, indent=2, ensure_ascii=False) + "\n")
    except OSError as error:
        raise InputError(f"{folder} cannot be written: {(error.strerror or str(error)).lower()}") from None
    return list(files)


def _table(console: Console) -> None:
    shown = Table(title=f"Published under {ROOT}/<machine id>/ (contract {CONTRACT_VERSION})")
    for column in ("topic", "delivery", "what"):
        shown.add_column(column)
    for name, model in MESSAGES.items():
        topic = f"{name}/<sensor>" if name in PER_SENSOR else name
        shown.add_row(topic, _delivery(DELIVERY[name]), (model.__doc__ or "").split("\n\n")[0])
    shown.add_row("value/<name>", _delivery(DELIVERY["value"]), "One number or word, without JSON.")
    shown.add_row("text/<name>", _delivery(DELIVERY["text"]), "Text ready to show, in the operator's units.")
    for name, model in GUIDE.items():
        shown.add_row(name, _delivery(DELIVERY[name]), (model.__doc__ or "").split("\n\n")[0])
    console.print(shown)
    taken = Table(title=f"Commands, to {ROOT}/<machine id>/command/<name>")
    for column in ("name", "keys (* needed)", "what"):
        taken.add_column(column)
    for name, spec in sorted(COMMANDS.items()):
        keys = [f"{k}*" if f.is_required() else k for k, f in spec.body.model_fields.items()]
        taken.add_row(name, ", ".join(keys) or "none", spec.help)
    console.print(taken)
    news = Table(title="What each version of the contract brought")
    for column in ("contract", "what"):
        news.add_column(column)
    for number, version in VERSIONS.items():
        news.add_row(number, version.note)
    console.print(news)
    console.print("Every command also takes request_id and by. Figures are advisory, no safety device.")


def _delivery(delivery: Delivery) -> str:
    words = [f"QoS {delivery.qos}", "retained" if delivery.retain else "live"]
    if delivery.durable:
        words[1] = "kept until delivered"
    elif delivery.expiry_s is not None:
        words.append(f"expires in {delivery.expiry_s} s")
    return ", ".join(words)
