"""`python -m planner` equals `planner`."""

from planner.cli import main

if __name__ == "__main__":
    main()
