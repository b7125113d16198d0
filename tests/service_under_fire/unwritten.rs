//! Alerts of which something can't be written: that one left from memory, or that one may leave.

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
