//! How a change is written where a page of the file can't be.
//!
//! What is written for the first time goes behind the table's last row, so a damaged last page would
//! keep every plan from moving. SQLite lets a row choose its number, and rows lie in the order of
//! their numbers: one numbered below all others lands in the table's first page. No number of a row
//! that is there is given again, and no reader goes by them: events are folded by the plan's own
//! count of them, and letters go by their times. Only among letters of one time the lower number goes
//! first, so those of one change keep their order. A table of fewer than four pages can't be helped
//! so, for SQLite looks at all of them when it splits the first.

use std::future::Future;

use super::StoreError;

/// What a change leaves alone, and where its new rows go.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Way {
    /// Whether what can be spared is written.
    pub(super) spares: Spares,
    /// Whether new events and letters go before all others.
    pub(super) end: End,
}

/// Whether the spare copies follow the states, and letters that are owed no more are dropped at once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Spares {
    #[default]
    Follow,
    /// One of them lies in a page that can't be written. The last look drops a letter as well.
    Leave,
}

/// At which end of its table a new row lies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum End {
    #[default]
    Last,
    /// Where the last page can't be written.
    First,
}

impl Way {
    /// All of them, the ordinary one first. After an error of a page nothing may be written before a
    /// whole rollback, so each way is a transaction of its own.
    pub(super) const ALL: [Way; 4] = [
        Way { spares: Spares::Follow, end: End::Last },
        Way { spares: Spares::Leave, end: End::Last },
        Way { spares: Spares::Follow, end: End::First },
        Way { spares: Spares::Leave, end: End::First },
    ];
}

/// Makes a change by the first way that a damaged page does not bar.
pub(super) async fn by_any_way<T, F, Made>(plan_ref: &str, change: F) -> Result<T, StoreError>
where
    F: Fn(Way) -> Made,
    Made: Future<Output = Result<T, StoreError>>,
{
    let mut made = change(Way::default()).await;
    for way in Way::ALL.into_iter().skip(1) {
        match &made {
            Err(error) if error.is_of_a_page() => {
                tracing::error!(plan = plan_ref, %error, ?way, "a change goes round a damaged page");
            }
            _ => break,
        }
        made = change(way).await;
    }
    made
}

/// A statement that inserts rows into these columns of a table: what stands before the rows, and
/// behind them.
pub(super) fn insertion(table: &str, columns: &str, end: End) -> (String, &'static str) {
    match end {
        End::Last => (format!("INSERT INTO {table} ({columns}) VALUES"), ""),
        End::First => {
            let values: Vec<_> =
                (1..=columns.split(',').count()).map(|at| format!("new.column{at}")).collect();
            let before = format!(
                "INSERT INTO {table} ({columns}, rowid) SELECT {}, \
                 (SELECT COALESCE(MIN(rowid), 0) FROM {table}) \
                 - COUNT(*) OVER () + ROW_NUMBER() OVER () - 1 FROM (VALUES",
                values.join(", ")
            );
            // Without a condition SQLite would take ON CONFLICT for part of a join.
            (before, ") AS new WHERE TRUE")
        }
    }
}

#[cfg(test)]
mod tests {
    use sqlx::any::AnyRow;
    use sqlx::{AnyConnection, Connection, Executor, Row};

    use super::*;
    use crate::store::batch::Batch;

    fn lie(row: &AnyRow) -> String {
        format!("{}{}", row.get::<String, _>("word"), row.get::<i64, _>("rowid"))
    }

    /// What SQLite's `ORDER BY rowid` says, beside its documented "one more than the largest" for a
    /// row that chooses no number (sqlite.org/autoinc.html).
    #[tokio::test]
    async fn new_rows_lie_before_all_others_in_their_order_and_take_no_number_again() {
        sqlx::any::install_default_drivers();
        let mut connection = AnyConnection::connect("sqlite::memory:").await.unwrap();
        connection.execute("CREATE TABLE told (word TEXT PRIMARY KEY, loud BIGINT)").await.unwrap();
        for (end, words, numbers) in [
            (End::First, &["e", "f"][..], "e-2 f-1"),
            (End::Last, &["g"], "e-2 f-1 g0"),
            (End::First, &["b", "c", "d"], "b-5 c-4 d-3 e-2 f-1 g0"),
            // One that is there already stays as it is.
            (End::First, &["a", "c"], "a-7 b-5 c-4 d-3 e-2 f-1 g0"),
            (End::Last, &["h", "i"], "a-7 b-5 c-4 d-3 e-2 f-1 g0 h1 i2"),
        ] {
            let (before, after) = insertion("told", "word, loud", end);
            let mut batch = Batch::default();
            let rows = words.iter().map(|word| [(*word).into(), 1.into()]);
            batch.add(&before, rows, &format!("{after} ON CONFLICT DO NOTHING"));
            batch.execute(&mut connection).await.unwrap();
            let rows = connection.fetch_all("SELECT word, rowid FROM told ORDER BY rowid").await;
            let lies: Vec<_> = rows.unwrap().iter().map(lie).collect();
            assert_eq!(lies.join(" "), numbers);
        }
    }
}
