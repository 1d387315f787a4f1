"""What a season file names and does not give: files to come, tests without a day."""

from __future__ import annotations

from datetime import datetime

from thermosprout.crops.seed_lots import SeedLot
from thermosprout.season.load import Season


def absent_notes(season: Season) -> list[str]:
    """Files that may come to be later, told where they are not there yet."""
    notes = []
    records = season.data.records
    if records is not None and not season.resolve(records.file, "records", "file").exists():
        notes.append(f"No counts are used: {records.file} ([records]) is not there yet.")
    folder = season.data.estimates_folder
    if folder is not None and not season.resolve(folder, "estimates_folder").is_dir():
        notes.append(f"No own estimates are used: {folder} (estimates_folder) is not there yet.")
    return notes


def undated_tests(season: Season, as_of: datetime) -> list[str]:
    """Germination tests of lots that are sown here and have aged because no day was given."""
    sown = {row.lot for row in season.data.rows}
    found = (undated_test(season.seed_lots[lot.id], as_of) for lot in season.data.lots
             if lot.id in sown)  # fmt: skip
    return [note for note in found if note]


def undated_test(lot: SeedLot, as_of: datetime) -> str | None:
    """Say that a lot is taken as aged since its harvest, for want of the day of its test."""
    tested = lot.germination is not None or lot.seeds_germinated is not None
    if not tested or lot.tested_on is not None or lot.year is None or as_of.year <= lot.year + 1:
        return None
    return (
        f"Lot {lot.id}: the day of its germination test is not known (tested_on), so that it is "
        f"taken as made by the end of {lot.year} and the lot as aged since."
    )
