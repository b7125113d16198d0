//! Alerts beside a destination that never answers and rows that can't be read.

use chrono::TimeDelta;
use shorelamp::post::Room;
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

use super::Spread;
use super::house::{Lamp, overdue_at};
use super::sink::{SILENT, Sink};

/// The service's own: a destination that hangs takes half of it at most.
const ROOM: Room = Room { shared: 12, for_alerts: 4 };

/// So many alerts, 20 a second; then the same with one in ten to the black hole and one in a
/// hundred poisoned.
pub async fn beside_others(alerts: usize) {
    let quiet = run(alerts, false).await;
    println!("{alerts} alerts, 20 a second, nothing wrong: {quiet}");
    let beside = run(alerts, true).await;
    println!("the same beside a black hole and 1 % poisoned rows: {beside}");
    println!("p99 {:.2} of the quiet one", beside.p99 as f64 / quiet.p99 as f64);
}

async fn run(alerts: usize, with_trouble: bool) -> Spread {
    let sink = Sink::in_this_process();
    let lamp = Lamp::with_room(&sink, ROOM).await;
    let due_at = |at: usize| {
        let after = TimeDelta::milliseconds(50 * i64::try_from(at).unwrap_or(0));
        lamp.begin + TimeDelta::hours(6) + after
    };
    let (mut plans, mut poisoned) = (Vec::new(), Vec::new());
    for at in 0..alerts {
        let plan = lamp.file(at, due_at(at)).await;
        if with_trouble && at % 100 == 50 {
            poisoned.push(plan);
        } else {
            plans.push((plan, overdue_at(due_at(at))));
        }
        if with_trouble && at % 10 == 0 {
            lamp.file_to(&format!("dunstan{at}{SILENT}"), due_at(at), "15m").await;
        }
    }
    for (plan, _) in &plans {
        lamp.told(plan).await;
    }
    poison(&lamp, &poisoned).await;
    lamp.set_clock(overdue_at(due_at(0)) - TimeDelta::seconds(2));
    lamp.wait_until(overdue_at(due_at(alerts)) + TimeDelta::seconds(3)).await;
    let mut taken = Vec::new();
    for (plan, overdue_at) in &plans {
        taken.push((lamp.alerted_at(plan).await - *overdue_at).num_milliseconds());
    }
    Spread::of(taken)
}

/// Makes the plans' rows unreadable behind the service's back.
async fn poison(lamp: &Lamp, plans: &[String]) {
    let options = SqliteConnectOptions::new().filename(lamp.folder().join("shorelamp.db"));
    let mut connection = SqliteConnection::connect_with(&options).await.expect("opened");
    for plan in plans {
        sqlx::query("UPDATE plans SET state_json = CAST(x'ff00' AS TEXT) WHERE ref = $1")
            .bind(plan)
            .execute(&mut connection)
            .await
            .expect("poisoned");
        sqlx::query("UPDATE spares SET first_json = 'no' WHERE plan = $1")
            .bind(plan)
            .execute(&mut connection)
            .await
            .expect("poisoned");
    }
}
