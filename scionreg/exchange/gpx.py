"""A walk as GPX 1.1 for a receiver or a phone: a waypoint a tree, and the route through them."""

from collections.abc import Mapping
from pathlib import Path

from scionreg.records.errors import RegistryError
from scionreg.rotation.walk import Degrees, Walk


def write_gpx(
    walk: Walk,
    places: Mapping[str, Degrees],
    path: Path,
    *,
    start: Degrees | None = None,
    finish: Degrees | None = None,
) -> None:
    """Write a walk as a GPX file, without times; a tree that has no place is left out.

    Schema: www.topografix.com/GPX/1/1. The route goes by the headlands and gates that are passed.

    Raises
    ------
    RegistryError
        The file cannot be written.
    """
    import gpxpy.gpx

    gpx = gpxpy.gpx.GPX()
    gpx.creator = "scionreg"
    route = gpxpy.gpx.GPXRoute(name="walk")
    gpx.routes.append(route)
    for name, at in (("start", start), ("finish", finish)):
        if at is not None:
            gpx.waypoints.append(gpxpy.gpx.GPXWaypoint(*at, name=name))
    for stop in walk.stops:
        if stop.tree in places:
            sticks = f", {stop.sticks} sticks" if stop.sticks else ""
            says = "; ".join((*stop.do_not_cut(), *stop.cautions))
            point = gpxpy.gpx.GPXWaypoint(*places[stop.tree], name=stop.tree)
            point.description = f"{stop.order}: {stop.cultivar}{sticks}"
            point.comment = says or None
            gpx.waypoints.append(point)
    for piece in walk.pieces(places, start, finish):
        route.points += [gpxpy.gpx.GPXRoutePoint(*place, name=named) for named, place in piece]
    try:
        path.write_text(gpx.to_xml(version="1.1"), encoding="utf-8")
    except OSError as fault:
        raise RegistryError(f"{path} cannot be written: {fault.strerror}") from fault
