"""`python -m tipdatum`."""

from tipdatum.cli import main

main()
