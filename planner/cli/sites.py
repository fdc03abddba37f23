"""`planner sites`: sites from points on a map."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from planner.cli.output import JsonOption, QuietOption, note, number, show_problems, show_table
from planner.errors import Severity


def sites(
    file: Annotated[Path, typer.Argument(help="Points as GeoJSON (.geojson, .json), KML or KMZ.")],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Write this CSV file instead of printing the table.")
    ] = None,
    id_property: Annotated[
        str | None,
        typer.Option("--id", metavar="PROPERTY", help="Property with the site_id; else site_id, id or name."),
    ] = None,
    load_profile: Annotated[
        str | None, typer.Option("--load-profile", help="Load profile of points that state none.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file of --out.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Turn points of a map into a table of sites.

    Properties named like columns of `sites` are taken; what is not taken is said.

    \b
    Example:
      planner sites stations.geojson --load-profile gauge --out my-fleet/sites.csv
    """
    from planner.tables.geo import read_points, write_sites

    found = read_points(file, id_property=id_property, load_profile=load_profile)
    shown = [problem for problem in found.problems if not quiet or problem.severity is Severity.ERROR]
    show_problems(shown, stream=sys.stderr)
    if out is None:
        show_table(list(found.columns), list(zip(*found.columns.values(), strict=True)), as_json=as_json)
        return
    write_sites(found, out, replace=force)
    note(f"{number(found.count, 'site')} written to {out}", quiet=quiet)
