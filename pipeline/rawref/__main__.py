"""python -m pipeline is rawref."""

from rawref.cli import main

main()
