"""``python -m optistack`` is the ``optistack`` command."""

import sys

from optistack.cli import command

sys.exit(command())
