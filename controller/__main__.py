"""``python -m controller`` is ``hygrohold``."""

import sys

from controller.cli import main

sys.exit(main())
