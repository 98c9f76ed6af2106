"""``python -m leadline``."""

from leadline.cli import main

main()
