"""A forecast that watches the row: draws that agree with the counts so far get the weight.

Three things can be off: the parameters, the speed of this very row, and how many seeds of it
live. The speed of the row is summed over for each draw and then drawn anew, which keeps most
draws in play (:mod:`.judging`). Where few are left, the counts are brought in step by step
(:mod:`.tempering`). What is still open is drawn last (:mod:`.open_stages`).
"""

from thermosprout.emergence.conditioning.conditioned import Conditioned, condition
from thermosprout.emergence.conditioning.lost_rows import FAILED_BEFORE
from thermosprout.emergence.counts import Count

__all__ = ["FAILED_BEFORE", "Conditioned", "Count", "condition"]
