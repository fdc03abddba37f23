"""`python -m planner` equals `planner`."""

if __name__ == "__main__":  # workers load this module too
    from planner.cli import main

    main()
