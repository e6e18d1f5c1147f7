"""A point by hour or by contract day, as it is read back from the record."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SpanSeries:
    """A point by hour or day, one row a span, ascending; empty spans have n 0 and NaN.

    ``on_ms`` says how long a contact was on.
    """

    unit: str
    at_ms: Ints
    n: Ints
    least: Floats
    mean: Floats
    most: Floats
    first: Floats
    last: Floats
    changes: Ints
    on_ms: Ints

    def __len__(self) -> int:
        return len(self.at_ms)
