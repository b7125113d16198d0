//! `shoreline import` and `inspect`, and `review --chart`, as they are typed.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;

use serde_json::Value;

#[path = "commands/world.rs"]
mod world;

use world::{Ended, World, root};

/// The codes, from FreeBSD's manual page sysexits(3).
const USAGE: i32 = 64;
const BAD_DATA: i32 = 65;
const NO_INPUT: i32 = 66;
const CANT_CREATE: i32 = 73;
const BAD_SETTINGS: i32 = 78;

const CHAMPLAIN: [&str; 2] = ["--covers", "-73.55,44.2,-73.05,44.7"];

fn geo(name: &str) -> String {
    root().join("tests/data/geo").join(name).to_str().unwrap().to_owned()
}

fn import(world: &World, file: &str, out: &str, more: &[&str]) -> Ended {
    let words = ["shoreline", "import", file, "--out", out, "--name", "Our lake"];
    world.run(&[&words[..], &["--accuracy", "250m"], more].concat())
}

/// What `inspect` says of a place: the line with the distance.
fn asked(world: &World, pack: &str, at: &str) -> String {
    let ended = world.run(&["shoreline", "inspect", pack, "--at", at]);
    assert_eq!(ended.code, 0, "{ended:?}");
    ended.out.lines().last().unwrap().to_owned()
}

/// The answer to a plan that is posted, over a connection of its own.
fn post(base_url: &str, path: &str, key: &str, body: &str) -> Value {
    let host = base_url.strip_prefix("http://").unwrap();
    let mut stream = TcpStream::connect(host).unwrap();
    write!(
        stream,
        "POST {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nAuthorization: Bearer \
         {key}\r\nContent-Type: application/toml\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    assert!(head.starts_with("HTTP/1.1 200"), "{answer}");
    serde_json::from_str(body).unwrap()
}

/// The box of a reference file.
fn bbox(name: &str) -> String {
    let text = fs::read_to_string(geo(name)).unwrap();
    let file: Value = serde_json::from_str(&text).unwrap();
    let sides = file["bbox"].as_array().unwrap().iter().map(Value::to_string);
    sides.collect::<Vec<_>>().join(",")
}

/// The rings of a GeoJSON file as GSHHG keeps them: a table, and `f32` positions.
fn as_raw_rings(world: &World, name: &str) -> PathBuf {
    let text = fs::read_to_string(geo(name)).unwrap();
    let file: Value = serde_json::from_str(&text).unwrap();
    let (mut table, mut positions) = (String::new(), Vec::new());
    for feature in file["features"].as_array().unwrap() {
        let outer = feature["properties"]["level"].as_u64().unwrap_or(1);
        for (hole, ring) in
            feature["geometry"]["coordinates"].as_array().unwrap().iter().enumerate()
        {
            let (level, offset) = (outer + u64::from(hole > 0), positions.len());
            for at in ring.as_array().unwrap() {
                for axis in 0..2 {
                    let degrees = at[axis].as_f64().unwrap() as f32;
                    positions.extend_from_slice(&degrees.to_le_bytes());
                }
            }
            let length = positions.len() - offset;
            table += &format!("{level} 1.0 {} 0 0 {offset} {length} {hole}\n", length / 8);
        }
    }
    let path = world.path("gshhs_f.dat");
    fs::write(&path, positions).unwrap();
    world.write("gshhsmeta_f.dat", &table);
    path
}

/// Point `champlain` of `tests/data/geo/reference_dense.csv` (shapely and pyproj, see the README
/// there), from all three formats.
#[test]
fn every_format_is_imported_and_asked() {
    let world = World::new();
    let rows = fs::read_to_string(geo("reference_dense.csv")).unwrap();
    let columns: Vec<&str> = rows.lines().next().unwrap().split(',').collect();
    let column = |name: &str| columns.iter().position(|column| *column == name).unwrap();
    let row = rows.lines().find(|row| row.starts_with("champlain")).unwrap();
    let fields: Vec<&str> = row.split(',').collect();
    let at = format!("{} {}", fields[column("lat")], fields[column("lon")]);
    let metres: f64 = fields[column("distance_m")].parse().unwrap();
    let covers = bbox("shoreline/champlain.geojson");
    let covers = ["--covers", covers.as_str(), "--licence", "LGPL-3.0-or-later"];
    let raw = as_raw_rings(&world, "shoreline/champlain.geojson");
    for (file, pack, more) in [
        (geo("shoreline/champlain.geojson"), "a.pack", &["--licence", "LGPL-3.0-or-later"][..]),
        (geo("import/champlain.shp"), "b.pack", &covers[..]),
        (raw.to_str().unwrap().to_owned(), "c.pack", &covers[..]),
    ] {
        let ended = import(&world, &file, pack, more);
        assert_eq!(ended.code, 0, "{file}: {ended:?}");
        for part in ["Our lake", "LGPL-3.0-or-later", "250 m", "edges of shore"] {
            assert!(ended.out.contains(part), "{part} in {ended:?}");
        }
        let said = asked(&world, pack, &at);
        let away = said.split(" m away").next().unwrap().rsplit(' ').next().unwrap();
        // Whole metres are told, and `f32` is right to half a metre here.
        assert!((away.parse::<f64>().unwrap() - metres).abs() <= 1.1, "{said}, not {metres}");
    }
    let outside = asked(&world, "a.pack", "10 10");
    assert!(outside.contains("no data here"), "{outside}");
}

/// Every bad file is refused with words that say what is wrong and how to mend it, and leaves no
/// pack behind.
#[test]
fn bad_files_are_refused() {
    let world = World::new();
    let of = |ring: &str| {
        format!(
            r#"{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":{{}},"geometry":{{"type":"Polygon","coordinates":[{ring}]}}}}]}}"#
        )
    };
    let boxed = |text: &str| text.replace("\"features\"", "\"bbox\":[-5,57,-4,58],\"features\"");
    let bow_tie = of("[[0,0],[1,1],[1,0],[0,1],[0,0]]");
    for (text, code, words) in [
        (bow_tie.clone(), BAD_DATA, "--accept-crossings"),
        (of("[[0,0],[1,0],[1,1],[0,1]]"), BAD_DATA, "open ring"),
        (of("[[48,-123],[49,-123],[49,-122],[48,-123]]"), BAD_DATA, "longitude comes first"),
        (boxed(&of("[[57.1,-4.5],[57.2,-4.5],[57.2,-4.4],[57.1,-4.5]]")), BAD_DATA, "swapped"),
        (of("[[0,NaN],[1,0],[1,1],[0,NaN]]"), BAD_DATA, "is not a GeoJSON"),
        (of("[[0,1e999],[1,0],[1,1],[0,1e999]]"), BAD_DATA, "is not a GeoJSON"),
        (r#"{"type":"FeatureCollection","features":[]}"#.to_owned(), BAD_DATA, "no polygon"),
        (String::new(), BAD_DATA, "is not a GeoJSON"),
    ] {
        let file = world.write("bad.geojson", &text);
        let ended = import(&world, file.to_str().unwrap(), "bad.pack", &[]);
        assert_eq!(ended.code, code, "{text}: {ended:?}");
        assert!(ended.err.contains(words), "{words} in {ended:?}");
        assert!(!world.path("bad.pack").exists());
    }
    let file = world.write("bow.geojson", &bow_tie);
    let taken = import(&world, file.to_str().unwrap(), "bow.pack", &["--accept-crossings"]);
    assert_eq!(taken.code, 0, "{taken:?}");
    assert!(taken.err.contains("cross at 1 place"), "{taken:?}");
}

#[test]
fn files_of_another_kind_are_refused() {
    let world = World::new();
    let shapefile = world.path("utm.shp");
    fs::copy(geo("import/champlain.shp"), &shapefile).unwrap();
    world.write("utm.prj", r#"PROJCS["NAD83 / UTM zone 18N",GEOGCS["NAD83"]]"#);
    let whole = fs::read(geo("import/champlain.shp")).unwrap();
    fs::write(world.path("cut.shp"), &whole[..whole.len() / 2]).unwrap();
    world.write("land.kml", "<kml/>");
    world.write("gshhs_f.dat", "not a multiple of eight");
    for (file, more, code, words) in [
        ("utm.shp", &CHAMPLAIN[..], BAD_DATA, "EPSG:4326"),
        ("cut.shp", &CHAMPLAIN[..], BAD_DATA, "is not an ESRI shapefile"),
        ("cut.shp", &[][..], USAGE, "--covers"),
        ("land.kml", &[][..], BAD_DATA, ".geojson"),
        ("gshhs_f.dat", &[][..], NO_INPUT, "gshhsmeta_f.dat"),
        ("nowhere.geojson", &[][..], NO_INPUT, "can't be read"),
    ] {
        let ended = import(&world, file, "bad.pack", more);
        assert_eq!(ended.code, code, "{file}: {ended:?}");
        assert!(ended.err.contains(words), "{words} in {ended:?}");
    }
    let plain = geo("shoreline/champlain.geojson");
    let nowhere = import(&world, &plain, "no/such/folder.pack", &[]);
    assert_eq!(nowhere.code, CANT_CREATE, "{nowhere:?}");
}

#[test]
fn a_bad_pack_is_refused_by_every_command() {
    let world = World::new();
    assert_eq!(import(&world, &geo("shoreline/champlain.geojson"), "good.pack", &[]).code, 0);
    let whole = fs::read(world.path("good.pack")).unwrap();
    let mut newer = whole.clone();
    newer[8] += 1;
    let mut damaged = whole.clone();
    let middle = damaged.len() / 2;
    damaged[middle] ^= 1;
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    let start = settings.find("files = [").unwrap();
    let end = start + settings[start..].find(']').unwrap();
    let settings = settings.replace(&settings[start..end], r#"files = ["bad.pack""#);
    world.write("shorelamp.toml", &settings);
    let plan = world.write("plan.toml", &world::plan());
    for (bytes, words) in [
        (&whole[..whole.len() / 2], "not copied whole"),
        (&newer[..], "reads version"),
        (&damaged[..], "damaged"),
    ] {
        fs::write(world.path("bad.pack"), bytes).unwrap();
        let inspected = world.run(&["shoreline", "inspect", "bad.pack"]);
        assert_eq!(inspected.code, BAD_DATA, "{inspected:?}");
        assert!(inspected.err.contains(words), "{words} in {inspected:?}");
        for command in [&["review", plan.to_str().unwrap()][..], &["serve"]] {
            let ended = world.run(command);
            assert_eq!(ended.code, BAD_SETTINGS, "{ended:?}");
            assert!(ended.err.contains(words) && ended.err.contains("bad.pack"), "{ended:?}");
        }
    }
}

/// A daemon answers from the pack that it opened, whatever is renamed over it or removed; the next
/// one from the new.
#[test]
fn a_pack_replaced_under_a_daemon() {
    let world = World::new();
    let demo = root().join("demo-data/shoreline.geojson");
    let replace = |accuracy: &str| {
        let words = ["shoreline", "import", demo.to_str().unwrap(), "--out", "demo.pack"];
        let ended = world.run(&[&words[..], &["--name", "demo", "--accuracy", accuracy]].concat());
        assert_eq!(ended.code, 0, "{ended:?}");
    };
    replace("100m");
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    let pack = world.path("demo.pack");
    let settings = settings.replace(demo.to_str().unwrap(), pack.to_str().unwrap());
    world.write("shorelamp.toml", &settings);
    let key = world.key(&[]);
    let accuracy_m = || {
        let plan = world::plan() + "[[waypoint]]\nposition = \"48.5700 -123.1900\"\n";
        let answer = post(&world.base_url, "/api/v1/review", &key, &plan);
        answer["route"]["shoreline_accuracy_m"].as_f64()
    };
    let daemon = world.serve();
    assert_eq!(accuracy_m(), Some(100.0));
    replace("70m");
    assert_eq!(accuracy_m(), Some(100.0), "the one that was opened");
    fs::remove_file(&pack).unwrap();
    assert_eq!(accuracy_m(), Some(100.0), "even when it is gone");
    drop(daemon);
    replace("70m");
    let _daemon = world.serve();
    assert_eq!(accuracy_m(), Some(70.0), "the new one");
}

#[test]
fn a_chart_is_written_as_its_ending_says() {
    let world = World::new();
    let plan = root().join("demo-data/plan-strait.toml");
    let draw = |file: &str| world.run(&["review", plan.to_str().unwrap(), "--chart", file]);
    let ended = draw("chart.svg");
    assert_eq!(ended.code, 0, "{ended:?}");
    let svg = fs::read_to_string(world.path("chart.svg")).unwrap();
    assert!(svg.contains("Not for navigation.</text>"));
    assert_eq!(draw("chart.png").code, 0);
    let png = fs::read(world.path("chart.png")).unwrap();
    // The signature and the first chunk's name (W3C PNG, 5.2 and 11.2.1).
    assert!(png.starts_with(b"\x89PNG\r\n\x1a\n") && &png[12..16] == b"IHDR");
    assert!(png.len() <= shorelamp::chart::MOST_BYTES, "{}", png.len());
    let other = draw("chart.pdf");
    assert_eq!(other.code, USAGE, "{other:?}");
    assert!(other.err.contains(".svg or .png"), "{other:?}");
    assert_eq!(draw("no/such/chart.png").code, CANT_CREATE);
}

/// A pack that says of itself what it is not is caught by its checksum.
#[test]
fn an_edited_head_is_refused() {
    let world = World::new();
    assert_eq!(import(&world, &geo("shoreline/champlain.geojson"), "good.pack", &[]).code, 0);
    let mut bytes = fs::read(world.path("good.pack")).unwrap();
    let name = bytes.windows(8).position(|part| part == b"Our lake").unwrap();
    bytes[name] = b'H';
    fs::write(world.path("edited.pack"), &bytes).unwrap();
    let ended = world.run(&["shoreline", "inspect", "edited.pack"]);
    assert_eq!(ended.code, BAD_DATA, "{ended:?}");
}
