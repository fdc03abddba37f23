"""Plan and buy power for fleets of off-grid, solar-powered network sites."""

__version__ = "0.1.0"
