//! The commands of whoever keeps the service: backup and restore, the review after it, and plans
//! that can't be read.

#![allow(clippy::unwrap_used)]

use std::fs;
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;

use serde_json::Value;
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

#[allow(dead_code, reason = "other commands need more of it")]
#[path = "commands/world.rs"]
mod world;

use world::{World, plan};

/// The codes, from FreeBSD's manual page sysexits(3).
const BAD_DATA: i32 = 65;
const NO_INPUT: i32 = 66;
const UNAVAILABLE: i32 = 69;
const CANT_CREATE: i32 = 73;
const TEMP_FAIL: i32 = 75;

/// Files the usual plan by command; its ref.
fn file(world: &World, key: &str) -> String {
    let path = world.write("plan.toml", &plan());
    let filed = world.run_with_key(key, &["file", path.to_str().unwrap(), "--json"]);
    let filed: Value = serde_json::from_str(&filed.out).unwrap_or_else(|_| panic!("{filed:?}"));
    filed["ref"].as_str().unwrap().to_owned()
}

/// Changes the database behind the service's back.
async fn meddle(world: &World, sql: &'static str) {
    let options = SqliteConnectOptions::new().filename(world.path("var/shorelamp.db"));
    let mut connection = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql(sql).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
}

#[test]
fn without_a_database_none_is_made() {
    let world = World::new();
    let file = world.path("backup.db");
    for words in [
        &["backup", file.to_str().unwrap()][..],
        &["verify"],
        &["reviewed"],
        &["release", "7QK4-2M9X"],
        &["clock", "accept"],
    ] {
        let ended = world.run(words);
        assert_eq!(ended.code, NO_INPUT, "{words:?}: {ended:?}");
        assert!(!world.path("var").exists(), "{words:?}");
    }
    let ended = world.run(&["restore", file.to_str().unwrap()]);
    assert_eq!(ended.code, NO_INPUT, "{ended:?}");
    assert!(ended.err.contains("backup.db"), "{ended:?}");
}

#[test]
fn a_backup_goes_back_and_forgets_nothing_that_it_holds() {
    let world = World::new();
    let backup = world.path("backup.db");
    let backup = backup.to_str().unwrap();
    let daemon = world.serve();
    let (key, keeper) = (world.key(&[]), world.key(&["--keeper"]));
    let (closed, open) = (file(&world, &key), file(&world, &key));
    assert_eq!(world.run_with_key(&key, &["checkin", &closed]).code, 0);

    let made = world.run(&["backup", backup]);
    assert_eq!(made.code, 0, "{made:?}");
    assert!(made.out.contains("private") && made.out.contains("secret"), "{made:?}");
    assert_eq!(fs::metadata(backup).unwrap().permissions().mode() & 0o777, 0o600);
    for inside in ["var/shorelamp.db", "var/mine.db"] {
        let refused = world.run(&["backup", world.path(inside).to_str().unwrap()]);
        assert_eq!(refused.code, CANT_CREATE, "{refused:?}");
    }
    // Filed after the backup: the restored database does not know of it.
    let after = file(&world, &key);
    let refused = world.run(&["restore", backup]);
    assert_eq!(refused.code, UNAVAILABLE, "{refused:?}");
    assert!(refused.err.contains("nothing was restored"), "{refused:?}");
    assert!(refused.err.contains("stop it first"), "{refused:?}");
    drop(daemon);

    let restored = world.run(&["restore", backup]);
    assert_eq!(restored.code, 0, "{restored:?}");
    for words in ["ten minutes", "shorelamp reviewed", "alert nobody again", "answered stands"] {
        assert!(restored.out.contains(words), "{words}: {restored:?}");
    }
    let _daemon = world.serve();
    let board = world.run_with_key(&keeper, &["board", "--json"]);
    assert!(board.out.contains(&open), "{board:?}");
    assert!(!board.out.contains(&closed) && !board.out.contains(&after), "{board:?}");
    let held = world.run(&["doctor"]);
    assert!(held.err.contains("BROKEN") && held.out.contains("alerts are held"), "{held:?}");
    let over = world.run(&["reviewed"]);
    assert!(over.out.contains("The review is over"), "{over:?}");
    let again = world.run(&["reviewed"]);
    assert!(again.out.contains("nothing to review"), "{again:?}");
    // The service notices without a restart, within its next look.
    let began = std::time::Instant::now();
    while world.run(&["doctor"]).out.contains("alerts are held") {
        assert!(began.elapsed().as_secs() < 15, "the service still holds its alerts");
        std::thread::sleep(std::time::Duration::from_millis(300));
    }
}

#[tokio::test]
async fn a_damaged_backup_replaces_nothing() {
    let world = World::new();
    let daemon = world.serve();
    let key = world.key(&[]);
    let plan_ref = file(&world, &key);
    drop(daemon);
    let broken = world.write("broken.db", "this is no database, only a text of some length");
    let refused = world.run(&["restore", broken.to_str().unwrap()]);
    assert_eq!(refused.code, BAD_DATA, "{refused:?}");
    assert!(refused.err.contains("the database is as it was"), "{refused:?}");
    let _daemon = world.serve();
    let keeper = world.key(&["--keeper"]);
    assert!(world.run_with_key(&keeper, &["board", "--json"]).out.contains(&plan_ref));
}

#[tokio::test]
async fn verify_finds_what_was_changed_behind_the_service_s_back() {
    let world = World::new();
    let daemon = world.serve();
    let key = world.key(&[]);
    let (first, second) = (file(&world, &key), file(&world, &key));
    let sound = world.run(&["verify"]);
    assert_eq!(sound.code, 0, "{sound:?}");
    assert!(sound.out.contains("Every plan is what its events make of it"), "{sound:?}");
    drop(daemon);
    // A wake-up that was put off by an hour: its alert would come too late.
    meddle(&world, "UPDATE plans SET next_at = next_at + 3600000 WHERE rowid = 1").await;
    let found = world.run(&["verify"]);
    assert_eq!(found.code, BAD_DATA, "{found:?}");
    assert!(found.out.contains(&first) && found.out.contains("wake-up"), "{found:?}");
    assert!(!found.out.contains(&second), "{found:?}");
    assert!(found.err.contains("1 of the plans"), "{found:?}");
}

#[tokio::test]
async fn a_plan_set_aside_is_released_once_it_can_be_read() {
    let world = World::new();
    let daemon = world.serve();
    let key = world.key(&[]);
    let plan_ref = file(&world, &key);
    let not_aside = world.run(&["release", &plan_ref]);
    assert_eq!(not_aside.code, BAD_DATA, "{not_aside:?}");
    assert!(not_aside.err.contains("not set aside"), "{not_aside:?}");
    drop(daemon);
    meddle(
        &world,
        "INSERT INTO quarantine (plan, found_at, why, alerts) SELECT ref, 0, 'torn', 0 FROM plans;
         CREATE TABLE kept AS SELECT state_json, (SELECT first_json FROM spares) AS first FROM plans;
         UPDATE plans SET state_json = 'torn'; UPDATE spares SET first_json = 'torn';",
    )
    .await;
    let torn = world.run(&["release", &plan_ref.to_lowercase()]);
    assert_eq!(torn.code, BAD_DATA, "{torn:?}");
    assert!(torn.err.contains("still can't be read"), "{torn:?}");
    meddle(
        &world,
        "UPDATE plans SET state_json = (SELECT state_json FROM kept);
         UPDATE spares SET first_json = (SELECT first FROM kept); DROP TABLE kept;",
    )
    .await;
    let back = world.run(&["release", &plan_ref]);
    assert_eq!(back.code, 0, "{back:?}");
    assert!(back.out.contains("watched again"), "{back:?}");
    assert_eq!(world.run(&["verify"]).code, 0);
}

/// As after a start of the machine: what the service knew of its clocks is of another start, and for
/// a month nobody vouches. The plan was closed nine days ago by the clock on the wall.
#[tokio::test]
async fn a_purge_that_forgets_nothing_says_why_and_what_to_do() {
    let world = World::new();
    let daemon = world.serve();
    let key = world.key(&[]);
    let plan_ref = file(&world, &key);
    assert_eq!(world.run_with_key(&key, &["checkin", &plan_ref]).code, 0);
    drop(daemon);
    meddle(
        &world,
        "UPDATE plans SET closed_at = closed_at - 9 * 86400000 WHERE closed_at IS NOT NULL;
         UPDATE letters SET state = 'handed' WHERE state IN ('queued', 'sending');
         CREATE TABLE before AS SELECT value FROM meta WHERE name = 'clock';
         UPDATE meta SET value = json_set(value, '$.unvouched_ms', 30 * 86400000)
         WHERE name = 'clock';",
    )
    .await;
    // The service was killed, and its log went when somebody else closed the database.
    let reviewed = world.run(&["purge"]);
    assert_eq!(reviewed.code, TEMP_FAIL, "{reviewed:?}");
    assert!(reviewed.err.contains("being reviewed"), "{reviewed:?}");
    meddle(&world, "DELETE FROM meta WHERE name = 'review'").await;
    let kept = world.run(&["purge"]);
    assert_eq!(kept.code, TEMP_FAIL, "{kept:?}");
    assert!(kept.out.contains("Forgotten: 0 plans"), "{kept:?}");
    for words in ["in 1 plans", "721 hours", "timedatectl", "clock accept"] {
        assert!(kept.err.contains(words), "{words}: {kept:?}");
    }
    meddle(
        &world,
        "UPDATE meta SET value = (SELECT value FROM before) WHERE name = 'clock';
         DROP TABLE before;",
    )
    .await;
    let gone = world.run(&["purge"]);
    assert_eq!(gone.code, 0, "{gone:?}");
    assert!(gone.out.contains("Forgotten: 1 plans"), "{gone:?}");
}

#[test]
fn a_service_that_does_not_start_again_and_again_tells_its_keeper_once() {
    let world = World::new();
    drop(world.serve());
    for name in ["shorelamp.db", "shorelamp.db-wal", "shorelamp.db-shm"] {
        let _ = fs::remove_file(world.path(&format!("var/{name}")));
    }
    world.write("var/shorelamp.db", "this is no database, only a text of some length");
    let letters = || match fs::read_dir(world.path("var/outgoing")) {
        Ok(folder) => folder.map(|one| fs::read_to_string(one.unwrap().path()).unwrap()).collect(),
        Err(_) => Vec::<String>::new(),
    };
    for _ in 0..3 {
        let ended = world.run(&["serve"]);
        assert_ne!(ended.code, 0, "{ended:?}");
        let told: Vec<_> = letters();
        let told = told.iter().filter(|letter| letter.contains("NOBODY WATCHES")).count();
        assert_eq!(told, 1, "{ended:?}");
    }
}

/// Whatever a command comes to, the log that it has folded into the database is not missed afterwards.
#[test]
fn what_comes_to_nothing_holds_no_alert_at_the_next_start() {
    let world = World::new();
    let another = TcpListener::bind("127.0.0.1:0").unwrap();
    for (words, code) in [
        (&["serve"][..], UNAVAILABLE),
        (&["release", "7QK4-2M9X"], BAD_DATA),
        (&["key", "revoke", "Nobody"], BAD_DATA),
        (&["verify"], 0),
        (&["purge"], 0),
    ] {
        drop(world.serve());
        assert!(world.path("var/shorelamp.db-wal").exists(), "it was killed");
        let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
        let (free, taken) = (&world.base_url[7..], another.local_addr().unwrap().to_string());
        world.write("shorelamp.toml", &settings.replace(free, &taken));
        assert_eq!(world.run(words).code, code, "{words:?}");
        let reviewed = world.run(&["reviewed"]);
        assert!(reviewed.out.contains("No alert is held"), "{words:?}: {reviewed:?}");
        world.write("shorelamp.toml", &settings);
    }
}

/// A database as the first schema left it, with one plan open.
async fn of_the_first_schema(path: &std::path::Path) {
    use sqlx::migrate::Migrator;
    let all = Migrator::new(world::root().join("src/store/migrations")).await.unwrap();
    let first = all.migrations.iter().filter(|step| step.version == 1).cloned().collect();
    let first = Migrator { migrations: first, ..Migrator::DEFAULT };
    let options = SqliteConnectOptions::new().filename(path).create_if_missing(true);
    let mut connection = SqliteConnection::connect_with(&options).await.unwrap();
    first.run(&mut connection).await.unwrap();
    let open = "INSERT INTO plans (ref, plan_json, review_json, state_json, version, filed_at, \
                due_at, next_at, key_id, body_hash) \
                VALUES ('7QK4-2M9X', '{}', '{}', '{}', 1, 0, 4000000000000, 4000000000000, 'key', '')";
    sqlx::raw_sql(open).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn an_upgrade_while_plans_are_open_is_told_to_the_keeper_with_the_way_back() {
    let world = World::new();
    world.key(&[]);
    for name in ["shorelamp.db", "shorelamp.db-wal", "shorelamp.db-shm", "database-id"] {
        let _ = fs::remove_file(world.path(&format!("var/{name}")));
    }
    of_the_first_schema(&world.path("var/shorelamp.db")).await;
    let _daemon = world.serve();
    let told = || {
        let folder = fs::read_dir(world.path("var/outgoing")).ok()?;
        let letters = folder.map(|one| fs::read(one.unwrap().path()).unwrap());
        let texts = letters.filter_map(|bytes| {
            let letter = mail_parser::MessageParser::default().parse(&bytes)?;
            let text = letter.body_text(0)?.into_owned();
            Some(text.split_whitespace().collect::<Vec<_>>().join(" "))
        });
        texts.into_iter().find(|text| text.contains("from schema 1"))
    };
    let began = std::time::Instant::now();
    let text = loop {
        if let Some(text) = told() {
            break text;
        }
        assert!(began.elapsed().as_secs() < 15, "the keeper was not told");
        std::thread::sleep(std::time::Duration::from_millis(200));
    };
    for words in ["plans are open (1)", "before-upgrade-from-1.db", "shorelamp restore"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(world.path("var/before-upgrade-from-1.db").exists());
}

/// Any other code has a mail server give the report up, and write of that to whomever it names as its
/// sender.
#[test]
fn a_report_that_cant_be_noted_now_is_asked_for_again() {
    let world = World::new();
    world.key(&[]);
    let tag = shorelamp::daemon::Secrets::open(&world.path("var")).unwrap().bounce_tag("letter");
    let report = format!(
        "To: back+letter.{tag}@example.org\nMIME-Version: 1.0\n\
         Content-Type: multipart/report; report-type=delivery-status; boundary=x\n\n\
         --x\nContent-Type: message/delivery-status\n\nAction: failed\nStatus: 5.1.1\n\n--x--\n"
    );
    let report = world.write("report", &report);
    let noted = || {
        let mut command = world.command(&["bounce"]);
        world::ended(command.stdin(fs::File::open(&report).unwrap()))
    };
    assert_eq!(noted().code, TEMP_FAIL, "no address for reports");
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    let settings = settings.replace("[mail]", "[mail]\nbounces = \"back@example.org\"");
    world.write("shorelamp.toml", &settings);
    assert_eq!(noted().code, 0, "{:?}", noted());
    world.write("shorelamp.toml", &settings.replace("[mail]", "[mial]"));
    assert_eq!(noted().code, TEMP_FAIL, "settings that can't be read");
    world.write("shorelamp.toml", &settings);
    world.write("var/shorelamp.db", "no database at all, but long enough to be taken for one");
    let ended = noted();
    assert_eq!(ended.code, TEMP_FAIL, "{ended:?}");
    fs::remove_file(world.path("var/secret")).unwrap();
    assert_eq!(noted().code, TEMP_FAIL, "no secret");
}
