//! Alerts from memory while something keeps the database from being written or read, and what is heard
//! meanwhile.

use std::os::unix::fs::FileExt;
use std::task::Poll;

use super::*;
use shorelamp::plan::read_json;

/// The alert and the word of trouble leave from memory, and `/healthz` is ill: that alert, and what it says.
async fn alerts_from_memory(lamp: &Lamp) -> (Eml, String) {
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    let alert = wait_for(lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(25)).await;
    assert!(alert.text.contains("from memory"), "{}", alert.text);
    wait_for(lamp, "trouble", "keeper@example.org", Duration::from_secs(10)).await;
    let ill = lamp.get("/healthz").send().await.unwrap();
    assert_eq!(ill.status(), 503);
    (alert, ill.text().await.unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_locked_database_keeps_no_alert_back_and_none_goes_twice() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    // The memory is filled in the background.
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    let (alert, _) = alerts_from_memory(&lamp).await;
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
    tokio::time::sleep(Duration::from_secs(12)).await;
    let all = letters(lamp.folder.path());
    let same = all.iter().filter(|eml| eml.message_id == alert.message_id).count();
    assert_eq!(same, 1, "written down, not sent again");
    let alerts =
        all.iter().filter(|eml| eml.kind == "call-rescue" && eml.to.starts_with("dunstan"));
    assert_eq!(alerts.count(), 1);
    let state = lamp.daemon.dossier(&plan_ref).await.unwrap().record.state;
    assert!(state.contacts[0].told.alerted);
    assert!(lamp.daemon.store().verify().await.unwrap().is_empty());
}

/// A time so far back that no clock shows it, read into the memory before it must alert.
#[tokio::test(flavor = "multi_thread")]
async fn a_letter_over_which_the_program_fails_leaves_memory_in_plain_words() {
    let lamp = running().await;
    filed(&lamp).await;
    let mut holder = other(&lamp).await;
    let poison = "UPDATE plans SET state_sum = NULL, state_json = \
                  json_set(state_json, '$.terms.due_at', '-262143-01-01T00:00:00Z'); \
                  BEGIN IMMEDIATE";
    sqlx::raw_sql(poison).execute(&mut holder).await.unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    let alert =
        wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(25)).await;
    assert!(alert.text.contains("could not be read"), "{}", alert.text);
    assert!(alert.text.contains("+1 360 555 0100"), "whom to call: {}", alert.text);
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}

/// Writing goes on, and no list of the plans can be read any more: that there is nothing to be found
/// must not pass for nothing to be done.
#[tokio::test(flavor = "multi_thread")]
async fn a_file_in_which_no_plan_can_be_found_still_alerts_from_memory() {
    let lamp = running().await;
    filed(&lamp).await;
    // The memory is filled in the background.
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut connection = other(&lamp).await;
    sqlx::raw_sql("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut connection).await.unwrap();
    let roots = "SELECT rootpage FROM sqlite_master WHERE tbl_name IN ('plans', 'spares')";
    let roots: Vec<i64> = sqlx::query_scalar(roots).fetch_all(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    let file =
        fs::OpenOptions::new().write(true).open(lamp.folder.path().join("shorelamp.db")).unwrap();
    for root in roots {
        let page = (u64::try_from(root).unwrap() - 1) * 4096;
        file.write_all_at(&[0x55; 8], page).unwrap();
    }
    assert!(alerts_from_memory(&lamp).await.1.contains("file is damaged"));
    tokio::time::sleep(Duration::from_secs(8)).await;
    let all = letters(lamp.folder.path());
    let alerts = all.iter().filter(|eml| eml.kind == "call-rescue");
    assert_eq!(alerts.filter(|eml| eml.to.starts_with("dunstan")).count(), 1, "once");
}

/// Whatever it may be that keeps the watch from moving its plans, while all else can be written.
#[tokio::test(flavor = "multi_thread")]
async fn a_watch_that_can_move_no_plan_still_alerts_from_memory_once() {
    let lamp = running().await;
    filed(&lamp).await;
    // The memory is filled in the background.
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut connection = other(&lamp).await;
    let hinder = "CREATE TRIGGER hinders BEFORE INSERT ON letters BEGIN \
                  INSERT INTO no_such_table VALUES (1); END";
    sqlx::raw_sql(hinder).execute(&mut connection).await.unwrap();
    let (alert, _) = alerts_from_memory(&lamp).await;
    sqlx::raw_sql("DROP TRIGGER hinders").execute(&mut connection).await.unwrap();
    tokio::time::sleep(Duration::from_secs(8)).await;
    let all = letters(lamp.folder.path());
    let same = all.iter().filter(|eml| eml.message_id == alert.message_id).count();
    assert_eq!(same, 1, "written down, not sent again");
}

/// The crew is told that their check-in is not written down, but it has been heard: reading the
/// plans anew from a database that knows nothing of it must not make an alert.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_that_could_not_be_written_still_keeps_alerts_from_memory_back() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    let everybody = lamp.daemon.dossier(&plan_ref).await.unwrap().plan.crew.len();
    let who = (0..everybody).collect();
    let ashore = Event::CheckedIn { who, by: By::Crew(None), how: None };
    let unwritten = lamp.daemon.act(&plan_ref, &ashore, None).await;
    assert!(unwritten.is_err_and(|error| error.is_transient()));
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    tokio::time::sleep(Duration::from_secs(15)).await;
    let alerts = letters(lamp.folder.path());
    assert!(alerts.iter().all(|eml| eml.kind != "call-rescue"), "{alerts:#?}");
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}

pub fn all_ashore() -> Event {
    Event::CheckedIn { who: vec![0, 1], by: By::Crew(None), how: None }
}

/// No alert to a contact has left, within a time in which it would have left from memory.
async fn nobody_is_alerted(lamp: &Lamp) {
    tokio::time::sleep(Duration::from_secs(15)).await;
    let all = letters(lamp.folder.path());
    assert!(all.iter().all(|eml| eml.kind != "call-rescue"), "{all:#?}");
}

/// All else can be written, so that the plans are read anew; what was heard is newer all the same.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_that_alone_could_not_be_written_keeps_alerts_from_memory_back() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut connection = other(&lamp).await;
    let hinder = "CREATE TRIGGER hinders BEFORE INSERT ON letters BEGIN \
                  INSERT INTO no_such_table VALUES (1); END";
    sqlx::raw_sql(hinder).execute(&mut connection).await.unwrap();
    let unwritten = lamp.daemon.act(&plan_ref, &all_ashore(), None).await;
    assert!(unwritten.is_err_and(|error| error.is_transient()));
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    nobody_is_alerted(&lamp).await;
}

/// A telephone is gone from the network as soon as its word is sent. The word is written; who only
/// remembers must not take the crew for overdue, this week or when its plan is forgotten.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_whose_sender_is_gone_keeps_alerts_from_memory_back() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    let ashore = all_ashore();
    let mut acting = Box::pin(lamp.daemon.act(&plan_ref, &ashore, None));
    let first = std::future::poll_fn(|context| Poll::Ready(acting.as_mut().poll(context))).await;
    assert!(first.is_pending());
    drop(acting);
    for to in ["dunstan@example.org", "mirela@example.org"] {
        wait_for(&lamp, "home", to, Duration::from_secs(10)).await;
    }
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    // Until the plans are not read anew.
    tokio::time::sleep(Duration::from_secs(6)).await;
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    nobody_is_alerted(&lamp).await;
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}

/// On a disk that hangs a write neither comes to its end nor fails.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_whose_writing_hangs_keeps_alerts_from_memory_back() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut connection = other(&lamp).await;
    let hang = "CREATE VIEW endless AS WITH RECURSIVE counted (at) AS \
                (SELECT 1 UNION ALL SELECT at + 1 FROM counted WHERE at < 1000000000000) \
                SELECT MAX(at) AS last FROM counted; \
                CREATE TRIGGER hangs BEFORE UPDATE ON alive BEGIN SELECT last FROM endless; END";
    sqlx::raw_sql(hang).execute(&mut connection).await.unwrap();
    // Until the writer is in it.
    tokio::time::sleep(Duration::from_secs(3)).await;
    let (daemon, plan) = (lamp.daemon.clone(), plan_ref.clone());
    let acting = tokio::spawn(async move { daemon.act(&plan, &all_ashore(), None).await });
    tokio::time::sleep(Duration::from_secs(6)).await;
    assert!(!acting.is_finished(), "it hangs");
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    nobody_is_alerted(&lamp).await;
}

/// The new time is written, and whoever sent it is gone before the answer.
#[tokio::test(flavor = "multi_thread")]
async fn a_change_whose_sender_is_gone_is_known_to_memory() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut later = plan();
    later["times"]["return_by"] = "2026-06-16T12:30".into();
    let later = read_json(&later.to_string(), &|_: &str| Err("none".to_owned())).unwrap();
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    // Its write waits for the lock when the telephone is gone.
    let by = By::Crew(None);
    let amending = lamp.daemon.amend(&plan_ref, &later, &by, None, b"");
    let gone = tokio::time::timeout(Duration::from_secs(2), amending).await;
    assert!(gone.is_err(), "the test would show nothing");
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
    wait_for(&lamp, "changed", "dunstan@example.org", Duration::from_secs(15)).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    // Until the plans are not read anew.
    tokio::time::sleep(Duration::from_secs(6)).await;
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    nobody_is_alerted(&lamp).await;
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}

/// The plan is written, and whoever filed it is gone before the answer.
#[tokio::test(flavor = "multi_thread")]
async fn a_filing_whose_sender_is_gone_is_known_to_memory() {
    let lamp = running().await;
    let key = lamp.daemon.key(&lamp.key).await.unwrap().unwrap();
    let trip = read_json(&plan().to_string(), &|_: &str| Err("none".to_owned())).unwrap();
    // The memory is filled, and then not for ten minutes.
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    let filing = lamp.daemon.file(&key, &trip, None, b"");
    let gone = tokio::time::timeout(Duration::from_secs(2), filing).await;
    assert!(gone.is_err(), "the test would show nothing");
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
    wait_for(&lamp, "filed", "dunstan@example.org", Duration::from_secs(15)).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    // Until the plans are not read anew.
    tokio::time::sleep(Duration::from_secs(6)).await;
    alerts_from_memory(&lamp).await;
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}

/// Reading goes on while nothing can be written, and so does the hold; and when it is over, alerts go.
#[tokio::test(flavor = "multi_thread")]
async fn alerts_that_a_review_holds_are_held_in_memory_too_until_its_end() {
    let lamp = Lamp::lit().await;
    lamp.file(&plan()).await;
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    let mut holder = other(&lamp).await;
    let mark = "INSERT INTO meta (name, value) VALUES ('review', 'it is a backup')";
    sqlx::raw_sql(mark).execute(&mut holder).await.unwrap();
    lamp.run();
    wait_for(&lamp, "trouble", "keeper@example.org", Duration::from_secs(10)).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    nobody_is_alerted(&lamp).await;
    lamp.move_clock(10);
    let alert =
        wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(25)).await;
    assert!(alert.text.contains("from memory"), "{}", alert.text);
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}

/// The same under a key, so that a telephone may send it again.
async fn file_once(lamp: &Lamp) -> String {
    let filing = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&plan());
    let answer =
        filing.header("Idempotency-Key", "a-key-of-this-filing-0001").send().await.unwrap();
    assert!(answer.status().is_success());
    let filed: serde_json::Value = answer.json().await.unwrap();
    filed["ref"].as_str().unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_filing_that_comes_again_outdates_no_check_in_that_was_heard() {
    let lamp = running().await;
    let plan_ref = file_once(&lamp).await;
    for to in ["dunstan@example.org", "mirela@example.org"] {
        wait_for(&lamp, "filed", to, Duration::from_secs(10)).await;
    }
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    let unwritten = lamp.daemon.act(&plan_ref, &all_ashore(), None).await;
    assert!(unwritten.is_err_and(|error| error.is_transient()));
    assert_eq!(file_once(&lamp).await, plan_ref);
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    nobody_is_alerted(&lamp).await;
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}

/// The plans are read anew while one of their pages takes for ever, as on a bad sector; then nothing can
/// be written.
#[tokio::test(flavor = "multi_thread")]
async fn a_read_that_hangs_keeps_no_alert_from_memory_back() {
    let lamp = running().await;
    filed(&lamp).await;
    // The memory is filled in the background.
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut holder = other(&lamp).await;
    let hang = "ALTER TABLE papers RENAME TO real_papers; \
                CREATE VIEW papers AS WITH RECURSIVE counted (at) AS \
                (SELECT 1 UNION ALL SELECT at + 1 FROM counted WHERE at < 1000000000000) \
                SELECT plan, plan_json, review_json FROM real_papers \
                WHERE (SELECT MAX(at) FROM counted) > 0; \
                BEGIN IMMEDIATE";
    sqlx::raw_sql(hang).execute(&mut holder).await.unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    let alert =
        wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(25)).await;
    assert!(alert.text.contains("from memory"), "{}", alert.text);
}

/// A telephone sends the very same once more, for no answer came to it. It is known already, though it
/// can't be written now.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_that_was_taken_back_is_not_heard_a_second_time() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    let first = lamp.daemon.act(&plan_ref, &all_ashore(), Some("once")).await.unwrap();
    let by = By::Contact(0, "Dunstan Okafor".to_owned());
    let undone = Event::Undone { event: first.state.events, by };
    let open = lamp.daemon.act(&plan_ref, &undone, None).await.unwrap();
    assert!(!open.state.is_closed());
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    let again = lamp.daemon.act(&plan_ref, &all_ashore(), Some("once")).await;
    assert!(again.is_err_and(|error| error.is_transient()));
    alerts_from_memory(&lamp).await;
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
}
