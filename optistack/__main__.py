"""``python -m optistack`` is the ``optistack`` command."""

import sys

from optistack.cli import main

sys.exit(main())
