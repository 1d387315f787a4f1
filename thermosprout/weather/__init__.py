"""Weather services behind one persistent cache, and members of soil temperature out of them.

transport
    One request: https, size and time bounded, patience on 429 and 503; and whether an answer can be
    the weather of the place and days asked for. Judged before an answer is kept and again when it
    is read; a bad one is dropped and asked for anew.
session
    The cached session: answers as JSON in a private file, none that failed its check.
service
    Addresses, keys (to their own host alone), one question and its answer, past days in spans.
open_meteo, nasa_power
    One service each: its query, and its JSON turned into a weather Dataset.
season
    What a season needs: days past, the forecast's members, past years; soil temperature of each.
members
    Joining them without a jump; the spread that past years bring.

A new service is a module like ``nasa_power`` (``get_...`` and ``parse``), an ``Endpoint`` in
service and a branch in ``season.recent_and_ahead``; its spoilt answers join
``tests/weather/test_plausible.py``. A failed service raises ``ServiceError`` with the next step;
one that answers without the days raises ``CoverageError``; a file that reaches today goes on alone.
"""
