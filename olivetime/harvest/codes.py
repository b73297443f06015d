"""Why a block stands where it does in the order: codes and their general words.

Apart from `olivetime.harvest.reasons`, which finds them, so that pages can say them without loading the planner.
"""

from __future__ import annotations

from olivetime.languages import mark

CODES = {
    "LOCKED": mark("being picked; finishing it saves a move"),
    "COMMITTED": mark("promised last week"),
    "NO-GO-DATE": mark("not allowed earlier"),
    "FROST": mark("frost would take most of what waiting costs"),
    "FALLING": mark("drop and over-ripeness take value"),
    "PEAK": mark("at its best"),
    "DRY-WINDOW": mark("rain would stop work soon"),
    "ROUTE": mark("lies beside the block before it"),
    "LOT": mark("the mill is on its lot"),
    "CAPACITY": mark("other blocks need machines and mill more on its best days"),
    "LEFT": mark("not in the plan"),
    "PICKED": mark("already picked"),
    "CANNOT-BE-DECIDED": mark("its records need mending"),
}
