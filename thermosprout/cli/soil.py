"""``thermosprout soil``: where soil temperature comes from and what it is made of."""

from __future__ import annotations

import typer

from thermosprout.cli import soil_model, soil_sources
from thermosprout.cli.overview import Sentences

app = typer.Typer(
    cls=Sentences,
    no_args_is_help=True,
    help="Soil temperature: read a logger, ask a weather service, see what is cached.",
)
app.command("read")(soil_sources.read)
app.command("fetch")(soil_sources.fetch)
app.command("status")(soil_sources.status)
app.command("model")(soil_model.model)
app.command("check")(soil_model.check)
