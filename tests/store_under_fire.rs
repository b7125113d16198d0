//! The database when the disk, a file or a row fails, with real faults: files removed, cut short
//! and overwritten, a file system that is full, a lock that somebody else holds, rows that hold
//! what nobody wrote.

#![allow(clippy::expect_used)]

#[path = "store/beside.rs"]
mod beside;
#[path = "store/common.rs"]
mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use beside::{other, run};
use chrono::TimeDelta;
use common::{LEASE, Opened, check_in, file, hand_over_all, minutes, noon, opened, try_file};
use shorelamp::measure::Span;
use shorelamp::store::{Store, StoreError};
use shorelamp::watch::{By, Event, Kind, Recipient};

fn remove_database(folder: &Path) {
    for name in ["shorelamp.db", "shorelamp.db-wal", "shorelamp.db-shm"] {
        let _absent = fs::remove_file(folder.join(name));
    }
}

#[tokio::test]
async fn a_database_that_went_missing_is_no_first_start() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    store.close().await;
    remove_database(folder.path());
    let gone = Store::open(folder.path()).await.expect_err("refused");
    assert!(gone.to_string().contains("Restore shorelamp.db from a backup"), "{gone}");
    assert!(!folder.path().join("shorelamp.db").exists(), "it must not leave an empty one behind");
    fs::write(folder.path().join("shorelamp.db"), b"").expect("emptied");
    assert!(matches!(Store::open(folder.path()).await, Err(StoreError::Missing { .. })));
    // The way that the error tells of.
    fs::remove_file(folder.path().join("database-id")).expect("removed");
    let fresh = Store::open(folder.path()).await.expect("a first start");
    assert!(fresh.open_plans().await.expect("plans").is_empty());
}

#[tokio::test]
async fn another_services_database_is_refused() {
    let (one, two) = (opened().await, opened().await);
    one.store.close().await;
    two.store.close().await;
    let name = "shorelamp.db";
    fs::copy(one.folder.path().join(name), two.folder.path().join(name)).expect("copied");
    assert!(matches!(Store::open(two.folder.path()).await, Err(StoreError::Foreign { .. })));
}

#[tokio::test]
async fn a_command_writes_beside_the_daemon_but_restores_nothing_under_it() {
    let Opened { store, folder } = opened().await;
    let beside = Store::open(folder.path()).await.expect("beside");
    file(&beside, "A", None, "body").await;
    assert_eq!(store.open_plans().await.expect("plans").len(), 1);
    beside.close().await;
    let backup = folder.path().join("backup.db");
    store.backup(&backup, noon()).await.expect("backed up");
    let lock = fs::File::create(folder.path().join("lock")).expect("a lock");
    lock.try_lock().expect("as `serve` takes it");
    let refused = Store::restore(&backup, folder.path()).await;
    assert!(matches!(refused, Err(StoreError::InUse(_))));
}

#[tokio::test]
async fn a_newer_schema_is_refused_with_words() {
    let Opened { store, folder } = opened().await;
    store.close().await;
    let text = "INSERT INTO _sqlx_migrations (version, description, success, checksum, \
                execution_time) VALUES (99, 'later', 1, x'00', 0)";
    run(folder.path(), text).await;
    let refused = Store::open(folder.path()).await.expect_err("refused");
    assert!(matches!(refused, StoreError::NewerSchema(99)), "{refused}");
    assert!(refused.to_string().contains("start the newer program"));
}

#[tokio::test]
async fn an_older_schema_is_upgraded_with_its_plans_after_a_backup() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    let before = store.plan("A").await.expect("read");
    let told = store.letters("A").await.expect("read").len();
    store.close().await;
    let back = "DROP TABLE meta; DROP TABLE spares; DROP TABLE quarantine; \
                ALTER TABLE plans DROP COLUMN state_sum; \
                DROP TABLE versions; ALTER TABLE events DROP COLUMN body_hash; \
                ALTER TABLE events DROP COLUMN worse_json; \
                ALTER TABLE plans ADD COLUMN plan_json TEXT NOT NULL DEFAULT ''; \
                ALTER TABLE plans ADD COLUMN review_json TEXT NOT NULL DEFAULT ''; \
                UPDATE plans SET plan_json = papers.plan_json, review_json = papers.review_json \
                FROM papers WHERE papers.plan = plans.ref; DROP TABLE papers; \
                DROP TABLE never_mailboxes; DROP TABLE confirmations; \
                DROP INDEX links_plan; DROP INDEX plans_closed_at; ALTER TABLE plans DROP COLUMN thinned_at; \
                DROP TABLE forgotten; DROP TABLE copies; DROP TABLE thrown_away; \
                DROP TABLE usual_trips; \
                DELETE FROM _sqlx_migrations WHERE version >= 2;";
    run(folder.path(), back).await;
    fs::remove_file(folder.path().join("database-id")).expect("older programs left no mark");
    let store = Store::open(folder.path()).await.expect("upgraded");
    let applied = store.apply("A", &Event::Tick, None, minutes(75)).await.expect("moved");
    assert_eq!(applied.letters, 1);
    assert_eq!(store.plan("A").await.expect("read").plan_json, before.plan_json);
    assert_eq!(store.letters("A").await.expect("read").len(), 1 + told);
    assert!(folder.path().join("before-upgrade-from-1.db").exists());
    assert_eq!(store.upgraded_from(), Some(1), "the keeper is told while plans are open");
    store.close().await;
    assert_eq!(Store::open(folder.path()).await.expect("opened").upgraded_from(), None);
}

#[tokio::test]
async fn a_database_cut_short_or_overwritten_is_refused_or_found_unsound() {
    for damage in ["cut", "overwrite", "flip"] {
        let Opened { store, folder } = opened().await;
        for number in 0..40 {
            file(&store, &format!("P{number}"), None, "body").await;
        }
        store.close().await;
        let path = folder.path().join("shorelamp.db");
        let mut bytes = fs::read(&path).expect("read");
        let middle = bytes.len() / 2;
        match damage {
            "cut" => bytes.truncate(middle),
            "overwrite" => bytes[..4096].fill(0x55),
            _ => bytes[middle..].iter_mut().step_by(7).for_each(|byte| *byte ^= 0x55),
        }
        fs::write(&path, &bytes).expect("written");
        match Store::open(folder.path()).await {
            Err(error) => assert!(error.is_unsound(), "{damage}: {error}"),
            Ok(store) => {
                let found = store.quick_check().await.expect("checked");
                assert!(found.is_some(), "{damage} went unseen");
            }
        }
    }
}

#[tokio::test]
async fn one_poisoned_row_in_a_hundred_hides_no_other_and_still_alerts() {
    let Opened { store, folder } = opened().await;
    for number in 0..100 {
        file(&store, &format!("P{number:02}"), None, "body").await;
    }
    hand_over_all(&store, noon()).await;
    run(
        folder.path(),
        "UPDATE plans SET state_json = CAST(x'ff7b' AS TEXT) WHERE ref = 'P07'; \
         UPDATE spares SET first_json = '{' WHERE plan = 'P07'; \
         UPDATE plans SET state_json = '{\"terms\": 1}' WHERE ref = 'P08'; \
         UPDATE plans SET next_at = 9223372036854775807 WHERE ref = 'P09'; \
         UPDATE plans SET next_at = -9223372036854775808 WHERE ref = 'P10'; \
         UPDATE spares SET overdue_at = -9223372036854775808 WHERE plan = 'P06'; \
         UPDATE papers SET plan_json = CAST(x'ff' AS TEXT) WHERE plan = 'P11'; \
         UPDATE papers SET review_json = CAST(x'ff' AS TEXT) WHERE plan = 'P12'; \
         UPDATE plans SET state_json = replace(state_json, '\"events\":', '\"events\":9') \
         WHERE ref = 'P13'; \
         UPDATE letters SET cause = CAST(x'ff' AS TEXT) WHERE plan = 'P14';",
    )
    .await;
    let now = minutes(76);
    let due = store.due(now, 1000).await.expect("due");
    assert_eq!(due.len(), 100);
    for plan_ref in &due {
        match store.apply(plan_ref, &Event::Tick, None, now).await {
            Ok(applied) => assert_eq!(applied.letters, 1, "{plan_ref}"),
            Err(error) => {
                assert!(error.is_damage() && plan_ref == "P07", "{plan_ref}: {error}");
                assert!(store.quarantine(plan_ref, "unreadable", now).await.expect("set aside"));
            }
        }
    }
    assert!(store.due(now, 1000).await.expect("due").is_empty(), "nothing is looked at twice");
    assert_eq!(store.alert_quarantined(now).await.expect("ordered"), 1);
    assert_eq!(store.alert_quarantined(now).await.expect("once"), 0);
    let sent = hand_over_all(&store, now).await;
    let alerts = sent.iter().filter(|(_, kind)| kind.is_alert()).count();
    assert_eq!(alerts, 100, "every plan alerts, the poisoned too");
    assert!(sent.contains(&(Recipient::Keeper, Kind::Trouble)));
    let spare = store.spare("P07").await.expect("the spare");
    assert_eq!(spare.card.expect("a card").contacts[0].email, "ann@example.org");
    assert_eq!(store.open_plans().await.expect("the board").len(), 100);
    assert_eq!(store.overdue(now, "").await.expect("the rest of the board").len(), 100);
    assert_eq!(store.quarantined().await.expect("listed")[0].plan_ref, "P07");
    let wrong = store.verify().await.expect("verified");
    assert_eq!(wrong.iter().map(|one| one.plan_ref.as_str()).collect::<Vec<_>>(), ["P07"]);
}

/// Each letter has the number of its call for an id: one that is numbered as an earlier one is not
/// ordered.
#[tokio::test]
async fn a_plan_that_is_set_aside_again_goes_on_alerting_where_it_was() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    let ordered = async |at: i64| store.alert_quarantined(minutes(at)).await.expect("ordered");
    let kinds = async || {
        let all = store.letters("A").await.expect("letters").into_iter();
        let all = all.filter(|one| one.kind.is_alert() || one.to == Recipient::Keeper);
        all.map(|one| ((one.queued_at - noon()).num_minutes(), one.kind)).collect::<Vec<_>>()
    };
    let aside = async |at: i64| {
        assert!(store.quarantine("A", "torn", minutes(at)).await.expect("set aside"));
    };
    aside(76).await;
    for at in [76, 106, 166] {
        assert_eq!(ordered(at).await, 1, "{at}");
    }
    assert!(store.release("A", minutes(170)).await.expect("read"));
    // Nobody is called sooner, either, than if it had stayed there.
    aside(171).await;
    assert_eq!((ordered(171).await, ordered(225).await, ordered(226).await), (0, 0, 1));
    assert!(store.release("A", minutes(230)).await.expect("read"));
    aside(231).await;
    assert_eq!((ordered(285).await, ordered(286).await), (0, 1));
    let (overdue, call, trouble) = (Kind::Overdue, Kind::CallRescue, Kind::Trouble);
    let told = [(76, overdue), (76, trouble), (106, call), (166, call), (171, trouble)];
    let since = [(226, call), (231, trouble), (286, call)];
    assert_eq!(kinds().await, [&told[..], &since].concat());
    // Another return time: its alerts begin anew, and at its own time.
    assert!(store.release("A", minutes(287)).await.expect("read"));
    let later = Event::Extended { later: Span::from_minutes(300), by: By::Crew(None) };
    store.apply("A", &later, None, minutes(288)).await.expect("extended");
    aside(289).await;
    assert_eq!((ordered(374).await, ordered(375).await, ordered(405).await), (0, 1, 1));
    // The keeper was told within the hour.
    assert_eq!(kinds().await[8..], [(375, overdue), (405, call)]);
}

/// The machine's clock is six hours ahead when the first two of them go, and is then put right.
#[tokio::test]
async fn plain_alerts_wait_for_no_time_of_a_clock_that_was_set_back() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    let ordered = async |at: i64| store.alert_quarantined(minutes(at)).await.expect("ordered");
    assert!(store.quarantine("A", "torn", minutes(360)).await.expect("set aside"));
    assert_eq!((ordered(360).await, ordered(390).await), (1, 1));
    assert_eq!(ordered(74).await, 0, "not overdue by the right clock");
    assert_eq!((ordered(76).await, ordered(135).await, ordered(136).await), (1, 0, 1));
}

#[tokio::test]
async fn a_state_that_was_changed_behind_our_back_is_folded_again() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    store.apply("A", &check_in(), None, minutes(5)).await.expect("ashore");
    assert!(store.verify().await.expect("verified").is_empty());
    run(
        folder.path(),
        "UPDATE plans SET state_json = replace(state_json, '\"closed\"', '\"cloged\"')",
    )
    .await;
    assert_eq!(store.verify().await.expect("verified").len(), 1);
    assert!(store.release("A", minutes(6)).await.expect("folded"));
    assert!(store.plan("A").await.expect("the plan").state.is_closed());
    assert!(store.verify().await.expect("verified").is_empty());
}

/// The service asks for it before it starts.
#[tokio::test]
async fn a_mark_of_life_that_is_no_time_counts_as_none() {
    let Opened { store, folder } = opened().await;
    store.mark_alive(noon()).await.expect("marked");
    assert_eq!(store.last_alive().await.expect("read"), Some(noon()));
    for poison in [
        "UPDATE alive SET at = 'noon'",
        "UPDATE alive SET at = x'ff00'",
        "UPDATE alive SET at = 9223372036854775807",
    ] {
        run(folder.path(), poison).await;
        assert_eq!(store.last_alive().await.expect(poison), None);
    }
    store.mark_alive(minutes(1)).await.expect("marked over it");
    assert_eq!(store.last_alive().await.expect("read"), Some(minutes(1)));
}

#[tokio::test]
async fn one_change_that_fails_takes_nothing_of_the_others_with_it() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    let filings = (0..50).map(|number| {
        let store = store.clone();
        // Every tenth takes a ref that is there already.
        let plan_ref = if number % 10 == 0 { "A".to_owned() } else { format!("P{number}") };
        tokio::spawn(async move { try_file(&store, &plan_ref, None, "body").await.is_ok() })
    });
    let mut filed = 0;
    for filing in filings.collect::<Vec<_>>() {
        filed += usize::from(filing.await.expect("joined"));
    }
    assert_eq!(filed, 45);
    assert_eq!(store.open_plans().await.expect("plans").len(), 46);
}

#[tokio::test]
async fn a_lock_held_by_somebody_else_is_an_error_in_time_and_then_over() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    let mut holder = other(folder.path()).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.expect("held");
    let (began, home) = (Instant::now(), check_in());
    let (one, two) = tokio::join!(
        store.apply("A", &Event::Tick, None, minutes(60)),
        store.apply("A", &home, None, minutes(60))
    );
    assert!(one.is_err_and(|error| error.is_transient()));
    assert!(two.is_err_and(|error| error.is_transient()));
    assert!(began.elapsed() < Duration::from_secs(12), "{:?}", began.elapsed());
    assert_eq!(store.plan("A").await.expect("readable all the while").state.events, 1);
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.expect("let go");
    store.apply("A", &check_in(), None, minutes(61)).await.expect("written");
}

/// A file system of its own, as small as asked for; `None` (and said so) without the right to
/// mount one.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    fn new(size: &str) -> Option<Self> {
        let folder = tempfile::tempdir().expect("a folder");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(folder.path())
            .output();
        if mounted.is_ok_and(|done| done.status.success()) {
            return Some(SmallDisk(folder));
        }
        eprintln!("SKIPPED: no right to mount a small file system here");
        None
    }

    fn fill(&self) {
        use std::io::Write;
        let mut file = fs::File::create(self.0.path().join("filler")).expect("a file");
        while file.write_all(&[0; 4096]).is_ok() {}
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _gone = Command::new("umount").arg("-l").arg(self.0.path()).output();
    }
}

#[tokio::test]
async fn a_full_disk_takes_no_new_plan_but_check_ins_and_alerts_go_on() {
    let Some(disk) = SmallDisk::new("64m") else { return };
    let data = disk.0.path().join("data");
    let store = Store::open(&data).await.expect("opened");
    for plan_ref in ["A", "B"] {
        file(&store, plan_ref, None, "body").await;
    }
    hand_over_all(&store, noon()).await;
    assert!(!store.is_low());
    assert!(data.join("ballast").exists());
    disk.fill();
    assert!(store.is_low());
    // The first change that meets the full disk gives the ballast back; each goes through when it
    // is tried again.
    for _ in 0..2000 {
        if store.mark_alive(noon()).await.is_err() {
            break;
        }
    }
    let tick = Event::Tick;
    for (plan_ref, event) in [("A", &tick), ("B", &check_in())] {
        if store.apply(plan_ref, event, None, minutes(76)).await.is_err() {
            store.apply(plan_ref, event, None, minutes(76)).await.expect("the ballast made room");
        }
    }
    let sent = hand_over_all(&store, minutes(76)).await;
    assert!(sent.contains(&(Recipient::Contact(0), Kind::CallRescue)), "{sent:?}");
    assert!(!data.join("ballast").exists(), "the room was needed");
    store.close().await;
    // And it starts again on a full disk.
    let store = Store::open(&data).await.expect("opened on a full disk");
    assert!(store.plan("B").await.expect("the plan").state.is_closed());
}

/// The process that must put nothing aside in files of SQLite's own.
#[tokio::test]
#[ignore = "a process for the next test"]
async fn one_that_has_no_room_for_temporary_files() {
    let folder = tempfile::tempdir_in("/dev/shm").expect("a folder");
    let store = Store::open(folder.path()).await.expect("opened");
    let refs: Vec<String> = (0..40).map(|at| format!("PLAN-{at}")).collect();
    for plan_ref in &refs {
        file(&store, plan_ref, None, "body").await;
    }
    hand_over_all(&store, noon()).await;
    for (plan_ref, moved) in store.tick(refs, minutes(76)).await.expect("ticked together") {
        moved.unwrap_or_else(|error| panic!("{plan_ref}: {error}"));
    }
    let sent = hand_over_all(&store, minutes(76)).await;
    let alerts = sent.iter().filter(|(_, kind)| *kind == Kind::CallRescue);
    assert!(alerts.count() >= 40, "{sent:?}");
}

/// Whoever has an account on the machine may fill /tmp and /var/tmp, wherever the data folder lies.
#[test]
fn no_alert_waits_for_room_in_somebody_elses_folder() {
    let Some(disk) = SmallDisk::new("8k") else { return };
    disk.fill();
    let ended = Command::new(std::env::current_exe().expect("this program"))
        .args(["--ignored", "--exact", "one_that_has_no_room_for_temporary_files"])
        // Where SQLite looks first (sqlite.org/tempfiles.html, section 5).
        .env("SQLITE_TMPDIR", disk.0.path())
        .output()
        .expect("started");
    assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stdout));
}

#[tokio::test]
async fn a_backup_is_private_whole_and_begins_with_a_review() {
    use std::os::unix::fs::PermissionsExt;
    let Opened { store, folder } = opened().await;
    for plan_ref in ["A", "B"] {
        file(&store, plan_ref, None, "body").await;
    }
    hand_over_all(&store, noon()).await;
    store.apply("B", &check_in(), None, minutes(5)).await.expect("ashore");
    let backup = folder.path().join("backup.db");
    store.backup(&backup, minutes(6)).await.expect("backed up");
    let mode = fs::metadata(&backup).expect("metadata").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    assert_eq!(store.review(noon()).await.expect("asked"), None, "only the copy is marked");
    // What happens after the backup is lost with the database.
    store.apply("A", &check_in(), None, minutes(30)).await.expect("ashore");
    store.close().await;
    remove_database(folder.path());
    Store::restore(&backup, folder.path()).await.expect("restored");
    let store = Store::open(folder.path()).await.expect("opened");
    let restored_at = minutes(24 * 60);
    let review = store.review(restored_at).await.expect("asked").expect("a review");
    assert!(review.why.contains("14 Jun 2026, 12:06 UTC"), "{}", review.why);
    assert_eq!(review.until, restored_at + TimeDelta::minutes(10));
    assert!(store.plan("B").await.expect("the plan").state.is_closed(), "the check-in is kept");
    store.apply("A", &Event::Tick, None, restored_at).await.expect("moved");
    let held = store.claim(restored_at, LEASE, 100).await.expect("claimed");
    assert!(held.iter().all(|letter| !letter.order.kind.is_alert()), "alerts are held");
    // A restart does not hold them for another ten minutes.
    let later = restored_at + TimeDelta::minutes(5);
    let again = store.review(later).await.expect("asked").expect("still");
    assert_eq!(again.until, review.until);
    let sent = hand_over_all(&store, review.until).await;
    assert!(sent.contains(&(Recipient::Contact(0), Kind::CallRescue)), "then they go: {sent:?}");
    assert!(sent.iter().all(|(_, kind)| *kind != Kind::StandDown));
}

#[tokio::test]
async fn a_backup_that_is_not_there_replaces_nothing() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    store.close().await;
    let path = folder.path().join("no/such/backup.db");
    assert!(matches!(Store::restore(&path, folder.path()).await, Err(StoreError::File { .. })));
    let store = Store::open(folder.path()).await.expect("untouched");
    assert_eq!(store.open_plans().await.expect("plans").len(), 1);
}

#[test]
fn two_programs_that_open_a_new_database_at_once_agree_which_it_is() {
    let open = |path: PathBuf| {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        runtime.expect("a runtime").block_on(async {
            let store = Store::open(&path).await?;
            store.close().await;
            Ok::<(), StoreError>(())
        })
    };
    for _ in 0..20 {
        let folder = tempfile::tempdir().expect("a folder");
        let threads = [(); 2].map(|()| {
            let path = folder.path().to_owned();
            std::thread::spawn(move || open(path))
        });
        for thread in threads {
            // One may find the other busy; that is no harm.
            let _ = thread.join().expect("no panic");
        }
        open(folder.path().to_owned()).expect("the mark is the database's own");
    }
}
