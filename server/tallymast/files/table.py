"""What every format is: a block in which batches of rows are put into a file, one after the other.

A table keeps nothing of a batch once it is put, so that a file may be longer than the memory.
A block that ends by an error leaves a file that is not whole; files/writing.py removes it.
"""

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from tallymast.domain.exports import Batch, Extract

Put = Callable[[Batch], None]
Table = Callable[[Path, Extract], AbstractContextManager[Put]]
