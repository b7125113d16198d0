//! The commands as they are typed: exit codes (`sysexits.h`) and the words that come with them.

#![allow(clippy::unwrap_used)]

use std::fs;
use std::io::{Read, Write};
use std::net::TcpListener;

use serde_json::{Value, json};
use shorelamp::daemon::secrets::token_hash;
use shorelamp::store::Store;

#[path = "commands/world.rs"]
mod world;

use world::{World, ended, plan, root};

/// The codes, from FreeBSD's manual page sysexits(3).
const USAGE: i32 = 64;
const BAD_DATA: i32 = 65;
const NO_INPUT: i32 = 66;
const UNAVAILABLE: i32 = 69;
const NOT_ALLOWED: i32 = 77;
const BAD_SETTINGS: i32 = 78;

const NOT_FILED: &str = "NOT FILED";

#[test]
fn a_command_line_that_is_none_is_told_so() {
    let world = World::new();
    for words in [
        &["sail"][..],
        &["extend", "7QK4-2M9X"],
        &["extend", "7QK4-2M9X", "--by", "a while"],
        &["checkin", "../keys"],
        &["key", "add", "two\nlines"],
        &["demo", "--smtp", "nowhere"],
        &["review"],
    ] {
        let ended = world.run(words);
        assert_eq!(ended.code, USAGE, "{words:?}: {ended:?}");
        assert!(ended.err.contains("Usage") || ended.err.contains("--help"), "{ended:?}");
    }
    for words in [["--help"], ["--version"]] {
        assert_eq!(world.run(&words).code, 0, "{words:?}");
    }
}

#[test]
fn settings_are_refused_with_line_and_caret() {
    let world = World::new();
    let plan = world.write("plan.toml", &plan());
    let plan = plan.to_str().unwrap();
    for name in ["many-faults", "contact-before-overdue", "key-twice"] {
        let bad = root().join("tests/bad-settings").join(name);
        fs::copy(bad.with_extension("toml"), world.path("shorelamp.toml")).unwrap();
        for words in [&["serve"][..], &["review", plan], &["doctor"], &["file", plan]] {
            let ended = world.run(words);
            assert_eq!(ended.code, BAD_SETTINGS, "{name} {words:?}: {ended:?}");
            for expected in fs::read_to_string(bad.with_extension("txt")).unwrap().lines() {
                assert!(ended.err.contains(expected), "{name}: no `{expected}` in {}", ended.err);
            }
            assert!(ended.err.contains('^') && ended.err.contains("shorelamp.toml"), "{ended:?}");
            assert_eq!(ended.err.contains(NOT_FILED), words[0] == "file");
        }
    }
    fs::remove_file(world.path("shorelamp.toml")).unwrap();
    let ended = world.run(&["serve"]);
    assert_eq!(ended.code, BAD_SETTINGS);
    assert!(ended.err.contains("shorelamp.toml") && ended.err.contains("--config"), "{ended:?}");
}

#[test]
fn what_the_settings_name_must_be_there() {
    let world = World::new();
    let plan = world.write("plan.toml", &plan());
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    world.write("shorelamp.toml", &settings.replace("shoreline.geojson", "nowhere.geojson"));
    for words in [&["serve"][..], &["review", plan.to_str().unwrap()]] {
        let ended = world.run(words);
        assert_eq!(ended.code, BAD_SETTINGS, "{ended:?}");
        assert!(ended.err.contains("nowhere.geojson"), "{ended:?}");
    }
    world.write("shorelamp.toml", &settings);
    world.write("cautions.toml", "[cold_water]\nwarming_c = 15");
    let ended = world.run(&["review", plan.to_str().unwrap()]);
    assert_eq!(ended.code, BAD_SETTINGS, "{ended:?}");
    assert!(ended.err.contains("cautions.toml") && ended.err.contains("warming_c"), "{ended:?}");
}

#[test]
fn limits_beside_the_settings_hold() {
    let world = World::new();
    let plan = world.write("plan.toml", &format!("{}[stated]\nwater_c = 24.0\n", plan()));
    let stated = fs::read_to_string(&plan).unwrap();
    let stated = stated.replace("[stated]", "[stated]\ntaken_at = \"NOW\"");
    let plan = world.write("plan.toml", &stated.replace("NOW", &chrono::Utc::now().to_rfc3339()));
    let cold = || {
        let review = world.run(&["review", plan.to_str().unwrap(), "--json"]);
        let review: Value = serde_json::from_str(&review.out).unwrap();
        let cautions = review["cautions"].as_array().unwrap().clone();
        cautions.iter().any(|caution| caution["id"] == "cold-water")
    };
    assert!(cold(), "24 °C is below 25 °C");
    world.write("cautions.toml", "[cold_water]\ncaution_c = 20.0\n");
    assert!(!cold(), "24 °C is above the keeper's own 20 °C");
}

#[test]
fn every_fault_of_a_plan_is_told_at_once() {
    let world = World::new();
    let bad = plan()
        .replace("medical", "medcal")
        .replace("philippa@", "philippa")
        .replace("48.5608", "98.5608");
    let path = world.write("plan.toml", &bad);
    for command in ["review", "file"] {
        let ended = world.run(&[command, path.to_str().unwrap()]);
        assert_eq!(ended.code, BAD_DATA, "{ended:?}");
        for words in ["3 things", "crew[1].medcal", "contact[1].email", "launch.position"] {
            assert!(ended.err.contains(words), "{words}: {ended:?}");
        }
        assert!(ended.out.is_empty(), "{ended:?}");
        assert_eq!(ended.err.starts_with(NOT_FILED), command == "file", "{ended:?}");
    }
}

#[test]
fn what_is_no_plan_is_refused_in_clear_words() {
    let world = World::new();
    let (bytes, large) = (world.path("bytes.toml"), world.path("large.toml"));
    fs::write(&bytes, b"title = \"a\"\nname = \"\xff\xfe\"").unwrap();
    fs::write(&large, "# a comment of ten million letters\n".repeat(300_000)).unwrap();
    for (path, code, words) in [
        (bytes, BAD_DATA, "line 2"),
        (large, BAD_DATA, "1 MB"),
        (world.path("nowhere.toml"), NO_INPUT, "nowhere.toml"),
        (world.folder.path().to_owned(), NO_INPUT, "directory"),
        (world.write("list.json", "[1, 2]"), BAD_DATA, "table of keys"),
        (world.write("bad", "{\"title\": 1"), BAD_DATA, "JSON"),
        (
            world.write("route.toml", &format!("route_file = \"no.gpx\"\n{}", plan())),
            BAD_DATA,
            "no.gpx",
        ),
    ] {
        let ended = world.run(&["review", path.to_str().unwrap()]);
        assert_eq!(ended.code, code, "{ended:?}");
        assert!(ended.err.contains(words), "{words}: {ended:?}");
    }
}

/// The form of the answer to a review, as other programs rely on it.
fn form() -> Value {
    json!({
        "route": {
            "length_m": 0.0,
            "farthest": {"distance_m": 0.0, "at_most_m": 0.0, "lat": 0.0, "lon": 0.0,
                         "along_m": 0.0, "shore_lat": 0.0, "shore_lon": 0.0, "bearing_deg": 0.0},
            "over_land_m": 0.0,
            "shoreline_accuracy_m": 0.0
        },
        "timing": {"paddling_s": 0, "stays_s": 0, "available_s": 0, "sunset": "", "civil_dusk": "",
                   "sun": ""},
        "water": {"temperature_c": 0.0, "kind": "", "source": "", "taken_at": "", "age_s": 0},
        "cautions": [{"id": "", "level": "", "text": "", "source": "", "clears": ""}]
    })
}

/// Whether a value has the keys of a form, each of the form's type or `null`.
fn check_form(value: &Value, form: &Value, at: &str) {
    match (value, form) {
        (Value::Object(value), Value::Object(form)) => {
            for (key, form) in form {
                let value = value.get(key).unwrap_or_else(|| panic!("{at} has no {key}"));
                check_form(value, form, &format!("{at}.{key}"));
            }
        }
        (Value::Array(list), Value::Array(form)) => {
            list.iter().for_each(|value| check_form(value, &form[0], at));
        }
        (Value::Null, _)
        | (Value::Number(_), Value::Number(_))
        | (Value::String(_), Value::String(_)) => {}
        _ => panic!("{at} is {value}"),
    }
}

/// Lengths as the plans' own page tells them (worked out with pyproj on WGS 84), to 0.1 km.
#[test]
fn every_plan_of_the_demo_is_reviewed() {
    let world = World::new();
    for (name, length_km) in [("strait", 8.2), ("bay", 3.1), ("islands", 62.7)] {
        let plan = root().join(format!("demo-data/plan-{name}.toml"));
        let plan = plan.to_str().unwrap();
        let ended = world.run(&["review", plan, "--json"]);
        assert_eq!(ended.code, 0, "{ended:?}");
        let review: Value = serde_json::from_str(&ended.out).unwrap();
        check_form(&review, &form(), name);
        let found_km = review["route"]["length_m"].as_f64().unwrap() / 1000.0;
        assert!((found_km - length_km).abs() < 0.06, "{name}: {found_km}");
        // Nobody answers for the water, and what is unknown is no number.
        assert_eq!(review["water"]["kind"], "unknown", "{name}");
        assert_eq!(review["water"]["temperature_c"], Value::Null, "{name}");
        assert!(review["cautions"].as_array().unwrap().iter().any(|one| one["id"] == "cold-water"));
        let told = world.run(&["review", plan]);
        assert_eq!(told.code, 0, "{told:?}");
        assert!(told.out.contains("No caution is no clearance"), "{told:?}");
    }
}

#[test]
fn the_sample_settings_judge_a_plan() {
    let world = World::new();
    let plan = root().join("demo-data/plan-bay.toml");
    for name in ["shorelamp.toml", "one-paddler.toml"] {
        let sample = fs::read_to_string(root().join("config").join(name)).unwrap();
        let here = root().join("config/..");
        let sample = sample.replace("\"../", &format!("\"{}/", here.display()));
        // Tests ask nobody on the internet.
        let station = "id = \"46088\"";
        assert!(sample.contains(station), "{name}");
        let sample = sample.replace(station, &format!("{station}\nurl = \"http://127.0.0.1:9\""));
        world.write("shorelamp.toml", &sample);
        let ended = world.run(&["review", plan.to_str().unwrap()]);
        assert_eq!(ended.code, 0, "{name}: {ended:?}");
    }
}

#[tokio::test]
async fn a_key_is_shown_once_and_kept_as_a_hash() {
    let world = World::new();
    let ended = world.run(&["key", "add", "Madrona ramp", "--json"]);
    let made: Value = serde_json::from_str(&ended.out).unwrap();
    let key = made["key"].as_str().unwrap();
    assert_eq!(made["link"], format!("{}/key/{key}", world.base_url));
    let told = world.run(&["key", "add", "Keeper", "--keeper"]);
    assert!(told.out.contains("keeper's key") && told.out.contains("once"), "{told:?}");
    let store = Store::open(&world.path("var")).await.unwrap();
    let kept = store.key(&token_hash(key)).await.unwrap().unwrap();
    assert_eq!((kept.name.as_str(), kept.keeper), ("Madrona ramp", false));
    store.close().await;
    for entry in fs::read_dir(world.path("var")).unwrap() {
        let bytes = fs::read(entry.unwrap().path()).unwrap();
        assert!(!bytes.windows(key.len()).any(|part| part == key.as_bytes()), "the key is stored");
    }
}

#[test]
fn without_a_key_or_a_daemon_nothing_is_filed_and_that_is_said() {
    let world = World::new();
    let plan = world.write("plan.toml", &plan());
    let plan = plan.to_str().unwrap();
    let no_key = world.run(&["file", plan]);
    assert_eq!(no_key.code, NOT_ALLOWED, "{no_key:?}");
    let no_daemon = world.run_with_key("some-key", &["file", plan]);
    assert_eq!(no_daemon.code, UNAVAILABLE, "{no_daemon:?}");
    assert!(no_daemon.err.contains("no Shorelamp daemon answers"), "{no_daemon:?}");
    for ended in [no_key, no_daemon] {
        assert!(ended.err.starts_with(NOT_FILED) && ended.out.is_empty(), "{ended:?}");
    }
    for words in [&["board"][..], &["checkin", "7QK4-2M9X"], &["cancel", "7QK4-2M9X"]] {
        assert_eq!(world.run(words).code, NOT_ALLOWED, "{words:?}");
        assert_eq!(world.run_with_key("some-key", words).code, UNAVAILABLE, "{words:?}");
    }
    assert_eq!(world.run(&["doctor"]).code, UNAVAILABLE);
}

/// Something takes the plan and says nothing: it may be filed or not.
#[test]
fn that_nobody_can_tell_is_said_too() {
    let world = World::new();
    let plan = world.write("plan.toml", &plan());
    let listener = TcpListener::bind(world.base_url.trim_start_matches("http://")).unwrap();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let _ = stream.unwrap().read(&mut [0; 4096]);
        }
    });
    let ended = world.run_with_key("some-key", &["file", plan.to_str().unwrap()]);
    assert_eq!(ended.code, UNAVAILABLE, "{ended:?}");
    assert!(ended.err.starts_with("WE CAN'T TELL WHETHER"), "{ended:?}");
    assert!(ended.err.contains(" --once ") && !ended.err.contains(NOT_FILED), "{ended:?}");
}

/// Another program stands where the service should be.
#[test]
fn a_stranger_s_answer_is_no_filing() {
    let world = World::new();
    let plan = world.write("plan.toml", &plan());
    let listener = TcpListener::bind(world.base_url.trim_start_matches("http://")).unwrap();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            let _ = stream.read(&mut [0; 65_536]);
            let page = "HTTP/1.1 404 Not Found\r\nContent-Length: 2\r\nConnection: close\r\n\r\nno";
            let _ = stream.write_all(page.as_bytes());
        }
    });
    let ended = world.run_with_key("some-key", &["file", plan.to_str().unwrap()]);
    assert_eq!(ended.code, UNAVAILABLE, "{ended:?}");
    assert!(ended.err.starts_with(NOT_FILED) && ended.err.contains("no Shorelamp"), "{ended:?}");
}

#[test]
fn a_plan_goes_all_the_way_by_commands() {
    let world = World::new();
    let _daemon = world.serve();
    let (key, keeper) = (world.key(&[]), world.key(&["--keeper"]));
    let path = world.write("plan.toml", &plan());
    let path = path.to_str().unwrap();

    let second = world.run(&["serve"]);
    assert_eq!(second.code, UNAVAILABLE, "two would send every letter twice: {second:?}");
    assert!(second.err.contains("another shorelamp"), "{second:?}");

    let once = ["file", path, "--json", "--once", "first"];
    let filed = world.run_with_key(&key, &once);
    let filed: Value = serde_json::from_str(&filed.out).unwrap();
    assert_eq!(filed["state"], "armed");
    let plan_ref = filed["ref"].as_str().unwrap();
    let again = world.run_with_key(&key, &once);
    assert_eq!(serde_json::from_str::<Value>(&again.out).unwrap()["ref"], filed["ref"]);

    let told = world.run_with_key(&key, &["file", path]);
    for words in ["armed", "handed over   Philippa Ashgrove", "cold-water", "crew's page"] {
        assert!(told.out.contains(words), "{words}: {told:?}");
    }
    let wrong = world.run_with_key("not-a-key", &["file", path]);
    assert_eq!(wrong.code, NOT_ALLOWED, "{wrong:?}");
    assert!(wrong.err.starts_with(NOT_FILED), "{wrong:?}");

    assert_eq!(world.run_with_key(&key, &["board"]).code, NOT_ALLOWED);
    world.write("key", &format!("{keeper}\n"));
    let board = ended(&mut world.command(&["board", "--json", "--key-file", "key"]));
    let board: Value = serde_json::from_str(&board.out).unwrap();
    assert_eq!(board["plans"].as_array().unwrap().len(), 2);

    let later = world.run_with_key(&key, &["extend", plan_ref, "--by", "90m"]);
    assert!(later.out.contains("armed"), "{later:?}");
    let nobody = world.run_with_key(&key, &["checkin", plan_ref, "--who", "Nobody"]);
    assert_eq!(nobody.code, BAD_DATA, "{nobody:?}");
    assert!(nobody.err.contains("Maren Tollefsby"), "{nobody:?}");
    let ashore = world.run_with_key(&key, &["checkin", &plan_ref.to_lowercase()]);
    assert!(ashore.out.contains("closed"), "{ashore:?}");
    let unknown = world.run_with_key(&key, &["cancel", "2222-2222"]);
    assert_eq!(unknown.code, BAD_DATA, "{unknown:?}");

    let doctor = world.run(&["doctor"]);
    assert_eq!(doctor.code, 0, "{doctor:?}");
    for words in ["an alert could go out", "shoreline.geojson", "look   water", "database"] {
        assert!(doctor.out.contains(words), "{words}: {doctor:?}");
    }
}
