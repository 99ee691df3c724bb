"""python -m pipeline is rawref."""

from pipeline.cli import main

main()
