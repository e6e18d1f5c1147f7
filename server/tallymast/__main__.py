"""``python -m tallymast``: the same as the ``tallymast`` command."""

from tallymast.cli import main

main()
