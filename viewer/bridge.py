"""What the page's scripts and Python tell each other: one small model a session."""

from bokeh.core.properties import Any, Nullable
from bokeh.model import DataModel


class Bridge(DataModel):
    """Values that pass between Python and the page's scripts.

    From Python: `settings` (what the header and the pictures need), `legend` and `group` (HTML),
    `rungs` (the ladder), `flight`, `marks` (counts up when the sites' marks changed), `address`.
    From the page: `view` (at rest), `act` (a button, key or choice). Everything from the page is
    checked where it is used.
    """

    settings = Any(default={})
    legend = Any(default="")
    group = Any(default="")
    rungs = Any(default=[])
    flight = Nullable(Any, default=None)
    marks = Any(default=0)
    address = Nullable(Any, default=None)
    view = Nullable(Any, default=None)
    act = Nullable(Any, default=None)
