"""What a bench file says of manual work: for how long a session goes on without its hand. Values only."""

from typing import Annotated

from pydantic import Field

from benchd.settings.pieces import Positive, Table


class ManualTable(Table):
    """Unit mode Manual. What is left out is as it is on most benches."""

    keep_alive_s: Annotated[float, Field(ge=0.5, le=10.0)] = 2.0  # without an order or a sign of life the run ends
    jog_alive_s: Annotated[float, Field(ge=0.1, le=2.0)] = 0.5  # without a new jog order back to zero
    jog_speed_rpm: Positive | None = None  # the fastest jog; left out: a tenth of the rated speed
