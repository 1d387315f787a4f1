"""What a season file names and does not give: files to come, tests without a day."""

from __future__ import annotations

from datetime import datetime

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
    notes = []
    for lot in season.data.lots:
        tested = lot.germination is not None or lot.seeds_germinated is not None
        if lot.id not in sown or not tested or lot.tested_on is not None or lot.year is None:
            continue
        if as_of.year > lot.year + 1:
            notes.append(
                f"Lot {lot.id}: the day of its germination test is not known (tested_on), so that "
                f"it is taken as made by the end of {lot.year} and the lot as aged since."
            )
    return notes
