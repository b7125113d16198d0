//! Alerts of which something can't be written: that one left from memory, or that one may leave.

use shorelamp::store::LetterState;
use shorelamp::watch::{Kind, Phase};

use super::memory::all_ashore;
use super::*;

/// The number of a plan's newest event is another than was written, so that one to come can't be written.
async fn renumber(lamp: &Lamp, plan_ref: &str, by: i64) {
    let mut connection = other(lamp).await;
    let poison = "UPDATE events SET number = number + $2 WHERE plan = $1 AND number = \
                  (SELECT MAX(number) FROM events WHERE plan = $1)";
    sqlx::query(poison).bind(plan_ref).bind(by).execute(&mut connection).await.unwrap();
}

/// How many alerts to this reader have left, and how many of them under the id of another.
fn alerts_to(lamp: &Lamp, to: &str) -> (usize, usize) {
    let all = letters(lamp.folder.path());
    let alerts = all.iter().filter(|eml| eml.kind == "call-rescue" && eml.to == to);
    let mut ids: Vec<_> = alerts.map(|eml| eml.message_id.clone()).collect();
    let alerts = ids.len();
    ids.sort_unstable();
    ids.dedup();
    (alerts, alerts - ids.len())
}

/// The watch can't move it, so it alerts from memory, and that can't be written down either. All the
/// other plans' letters leave as ever.
#[tokio::test(flavor = "multi_thread")]
async fn one_plans_alert_that_can_not_be_written_down_keeps_nothing_waiting() {
    let lamp = running().await;
    let poisoned = filed(&lamp).await;
    let mut second = plan();
    second["contact"][0]["email"] = "wren@example.org".into();
    second["contact"][1]["email"] = "pell@example.org".into();
    let well = lamp.file(&second).await["ref"].as_str().unwrap().to_owned();
    wait_for(&lamp, "filed", "pell@example.org", Duration::from_secs(10)).await;
    // The memory is filled in the background.
    tokio::time::sleep(Duration::from_secs(1)).await;
    renumber(&lamp, &poisoned, 1).await;
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    wait_for(&lamp, "call-rescue", "wren@example.org", Duration::from_secs(25)).await;
    wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(25)).await;
    let applied = lamp.daemon.act(&well, &all_ashore(), None).await.unwrap();
    assert!(applied.state.is_closed());
    wait_for(&lamp, "stand-down", "wren@example.org", Duration::from_secs(10)).await;
    tokio::time::sleep(Duration::from_secs(5)).await;
    assert_eq!(alerts_to(&lamp, "dunstan@example.org"), (1, 0), "it left, and once");
}

/// The alert was ordered, and then lies there; memory is asked for it, and it leaves once.
async fn leaves_from_memory_once(lamp: &Lamp) {
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    for to in ["dunstan@example.org", "mirela@example.org"] {
        let alert = wait_for(lamp, "call-rescue", to, Duration::from_secs(25)).await;
        assert!(alert.text.contains("from memory"), "{}", alert.text);
    }
    tokio::time::sleep(Duration::from_secs(8)).await;
    assert_eq!(alerts_to(lamp, "dunstan@example.org"), (1, 0), "it left, and once");
}

/// The number stands in the way of the last look, and not of the watch.
#[tokio::test(flavor = "multi_thread")]
async fn an_alert_whose_last_look_can_not_be_written_leaves_from_memory() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    renumber(&lamp, &plan_ref, 2).await;
    leaves_from_memory_once(&lamp).await;
    let moved = lamp.daemon.dossier(&plan_ref).await.unwrap().record.state;
    assert!(moved.phase == Phase::Overdue, "the test would show nothing");
    // What it was claimed for runs out, and it is claimed anew.
    lamp.move_clock(5);
    let began = Instant::now();
    let waits = async || {
        let fates = lamp.daemon.store().letters(&plan_ref).await.unwrap();
        let alerts = fates.iter().filter(|fate| fate.kind == Kind::CallRescue);
        alerts.filter(|fate| fate.state != LetterState::Handed).count()
    };
    while waits().await > 0 {
        assert!(began.elapsed() < Duration::from_secs(15), "it is claimed again and again");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!(alerts_to(&lamp, "dunstan@example.org"), (1, 0), "it left, and once");
}

/// Whoever was alerted from memory a moment before is stood down, and not told that all is well as if
/// nothing had been.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_is_written_after_what_left_from_memory() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    let mut holder = other(&lamp).await;
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    for to in ["dunstan@example.org", "mirela@example.org", "keeper@example.org"] {
        wait_for(&lamp, "call-rescue", to, Duration::from_secs(25)).await;
    }
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
    lamp.daemon.act(&plan_ref, &all_ashore(), None).await.unwrap();
    for to in ["dunstan@example.org", "mirela@example.org"] {
        wait_for(&lamp, "stand-down", to, Duration::from_secs(10)).await;
    }
    let all = letters(lamp.folder.path());
    let home = all.iter().filter(|eml| eml.kind == "home" && eml.to != "ines@example.org");
    assert_eq!(home.count(), 0, "{all:#?}");
}
