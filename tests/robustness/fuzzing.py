"""Spoil the bytes of sound files and read them: ``python -m tests.robustness.fuzzing --help``.

Mutations know nothing of a format but its alphabet: bytes flipped, cut, doubled and moved, cells
and lines exchanged, numbers and words put where they do not belong, two files spliced.
"""

from __future__ import annotations

import argparse
import faulthandler
import hashlib
import random
import re
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

from tests.robustness.readers import READERS, fault

CORPUS = Path(__file__).parent / "corpus"
HUNG_S = 120
"""A reader that is not done by then is taken to hang; the run ends and names the place. [s]"""

TOKENS = [
    b"", b"nan", b"NaN", b"inf", b"-inf", b"1e400", b"-1", b"0", b"-0", b"1e-320",
    b"999999999999", b"9" * 40, b"9" * 5000, b"1_000", b"0x10", b"\xd9\xa1\xd9\xa2",
    b"\xe2\x88\x923", b"1,5", b"1.5.2", b"24:00", b"2026-02-29", b"2028-02-29",
    b"2026-03-29T02:30", b"2026-10-25T02:30", b"0001-01-01", b"9999-12-31",
    b"9999-12-31T23:59:59-14:00", b"10000-01-01", b"-0001-01-01", b"1677-09-20", b"2262-04-12",
    b"2026-04-01T08:00+99:00", b"2026-04-01T08:00Z", b"2026-04-01 08:00:00.123456789",
    b"2026-13-45", b"01/02/03", b"Europe/Berlin", b"Mars/Base", b"../../etc/passwd", b"\x00",
    b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xe2\x80\xa8", b"\xc2\x85", b"\x0b", b"\x0c",
    b"\r", b"\r\n", b"\n", b'"', b'""', b'"""', b"'", b"'''", b"#", b"=", b"[", b"]", b"{", b"}",
    b"[[", b"[" * 3000, b'{"a":' * 3000, b"a." * 2000, b"true", b"false", b"null", b"None", b"[]",
    b"{}", b"=cmd|' /C calc'!A0", b"<script>alert(1)</script>", b"plot", b"inspected", b"emerged",
    b"time_utc", b"soil_temp_C", b"direct", b"soaked", b"-9999", b"-999", b"-99.0", b"12 F",
    b"\xc2\xb0C", b"\\u0000", b"\\x", b"\\", b"\t", b";", b",", b"|", b"1e308", b"4.9e-324",
    b"\xf0\x9f\x8c\xb1", b"i\xcc\x87", b"\xe2\x80\xae",
]  # fmt: skip
_CELL = re.compile(rb"[^,;\t\r\n\"=:\[\]{} ]+")


def mutate(rng: random.Random, raw: bytes, others: tuple[bytes, ...]) -> bytes:
    """One to a few mutations of a file."""
    data = bytearray(raw)
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 5, 8))):
        if not data:
            data += rng.choice(TOKENS) or b"x"
        kind = rng.randrange(12)
        at = rng.randrange(len(data))
        if kind == 0:
            data[at] = rng.randrange(256)
        elif kind == 1:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            del data[at : at + rng.choice((1, 2, 5, 40, 400))]
        elif kind == 3:
            data[at:at] = rng.choice(TOKENS)
        elif kind in (4, 5, 6):
            cells = list(_CELL.finditer(data))
            if cells:
                cell = rng.choice(cells)
                token = rng.choice(TOKENS) if kind < 6 else rng.choice(cells)[0]
                data[cell.start() : cell.end()] = token
        elif kind == 7:
            lines = data.split(b"\n")
            a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
            lines[a], lines[b] = lines[b], lines[a]
            data = bytearray(b"\n".join(lines))
        elif kind == 8:
            lines = data.split(b"\n")
            lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines))
            data = bytearray(b"\n".join(lines))
        elif kind == 9:
            lines = data.split(b"\n")
            del lines[rng.randrange(len(lines))]
            data = bytearray(b"\n".join(lines))
        elif kind == 10:
            other = rng.choice(others)
            data = data[:at] + other[rng.randrange(len(other) + 1) :]
        else:
            new, old = rng.choice((b",", b";", b"\t", b"\r\n", b" ")), rng.choice((b",", b"\n"))
            data = bytearray(data.replace(old, new))
        if len(data) > 60_000:
            del data[60_000:]
    return bytes(data)


def campaign(
    name: str, seed: int, folder: Path, *, cases: int = 0, seconds: float = 0.0
) -> tuple[int, dict[str, bytes]]:
    """Spoil and read until the cases or the seconds are used up; one example for each fault."""
    reader = READERS[name]
    rng = random.Random(f"{name} {seed}")
    seeds = reader.seeds()
    place = folder / name
    place.mkdir(exist_ok=True)
    path = place / f"a{reader.suffix}"
    found: dict[str, bytes] = {}
    end = time.monotonic() + seconds
    count = 0
    while count < cases or time.monotonic() < end:
        data = mutate(rng, rng.choice(seeds), seeds)
        path.write_bytes(data)
        begun = time.monotonic()
        faulthandler.dump_traceback_later(HUNG_S, exit=True)  # where no signal can interrupt
        wrong = fault(reader, path)
        faulthandler.cancel_dump_traceback_later()
        if not wrong and time.monotonic() - begun > 20:
            wrong = "slower than 20 s"
        if wrong:
            key = re.sub(r"[\d.]+|'.*", "#", wrong.split(": ")[0])
            if key not in found or len(data) < len(found[key]):
                found[key] = data
                print(f"{name}: {wrong}", flush=True)
        count += 1
    return count, found


def main() -> None:
    """Run a campaign over all readers and put what broke into a folder."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=CORPUS)
    parser.add_argument("--reader", choices=list(READERS), action="append")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    # A library that ends the process shows where; the file is the last in the temporary folder.
    faulthandler.enable()
    names = options.reader or list(READERS)
    total = Counter[str]()
    shares = sum(READERS[name].weight for name in names)
    rounds = max(1, round(options.minutes / 4))
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(rounds):
            for name in names:
                seconds = 60 * options.minutes * READERS[name].weight / shares / rounds
                seed = options.seed * 1000 + turn
                count, found = campaign(name, seed, Path(folder), seconds=seconds)
                total[name] += count
                for data in found.values():
                    digest = hashlib.sha256(data).hexdigest()[:8]
                    (options.out / f"{name}-{digest}").write_bytes(data)
            print(f"after round {turn + 1}: {total.total()} cases {dict(total)}", flush=True)


if __name__ == "__main__":
    main()
