//! Reading around a page of the file that can't be read.
//!
//! When a plan wakes stands twice: in its own row and in its spare copy, and each of the two times
//! in an index of its own. So whichever page is lost, the plans in it are found by the other copy.
//! SQLite's row numbers lead from an index to a row without the page of any other.

use std::collections::{BTreeMap, BTreeSet};

use sqlx::{AnyConnection, Row};

use super::error::of_row;
use super::spare::number;
use super::{Store, StoreError};

/// Each reads its index alone, in the order of times.
const BY_TIME: [&str; 2] = [
    "SELECT rowid, next_at FROM plans WHERE next_at <= $1 ORDER BY next_at LIMIT $2",
    "SELECT rowid, wake_at FROM spares WHERE wake_at <= $1 ORDER BY wake_at LIMIT $2",
];
/// The plan of a row.
const REF: [&str; 2] =
    ["SELECT ref FROM plans WHERE rowid = $1", "SELECT plan FROM spares WHERE rowid = $1"];
/// Every ref, by an index alone.
const ALL: [&str; 2] =
    ["SELECT ref FROM plans ORDER BY ref", "SELECT plan FROM spares ORDER BY plan"];
/// When a plan wakes, by each copy.
const WAKES: [&str; 2] =
    ["SELECT next_at FROM plans WHERE ref = $1", "SELECT wake_at FROM spares WHERE plan = $1"];
const IS_OPEN: &str = "SELECT 1 FROM plans WHERE ref = $1 AND closed_at IS NULL";

impl Store {
    /// The plans whose time comes no later than `until`, in milliseconds, the longest waiting
    /// first, but for those set aside.
    pub(super) async fn due_around_damage(
        &self,
        until: i64,
        most: i64,
    ) -> Result<Vec<String>, StoreError> {
        let mut connection = self.readers.acquire().await?;
        let set_aside = readable(&mut connection, "SELECT plan FROM quarantine").await?;
        let set_aside = set_aside.unwrap_or_default();
        let (mut due, mut whole) = (BTreeMap::new(), false);
        for (by_time, plan_of) in BY_TIME.into_iter().zip(REF) {
            let select = sqlx::query(by_time).bind(until).bind(most);
            let rows = match select.fetch_all(&mut *connection).await.map_err(StoreError::from) {
                Ok(rows) => rows,
                Err(error) if error.is_unsound() => continue,
                Err(error) => return Err(error),
            };
            whole = true;
            for row in rows {
                let row_number: i64 = row.try_get(0)?;
                let Some(plan_ref) = plan_in(&mut connection, plan_of, row_number).await? else {
                    continue;
                };
                let at = row.try_get::<i64, _>(1).unwrap_or(i64::MIN);
                let earliest = due.entry(plan_ref).or_insert(at);
                *earliest = at.min(*earliest);
            }
        }
        if !whole {
            due = each_by_itself(&mut connection, until).await?;
        }
        due.retain(|plan_ref, _| !set_aside.contains(plan_ref));
        let mut due: Vec<_> = due.into_iter().map(|(plan_ref, at)| (at, plan_ref)).collect();
        due.sort_unstable();
        due.truncate(usize::try_from(most).unwrap_or(usize::MAX));
        Ok(due.into_iter().map(|(_, plan_ref)| plan_ref).collect())
    }
}

/// The plan of the row with this number; `None` where its page can't be read.
async fn plan_in(
    connection: &mut AnyConnection,
    text: &'static str,
    row_number: i64,
) -> Result<Option<String>, StoreError> {
    let row = sqlx::query(text).bind(row_number).fetch_optional(connection).await;
    match row.map_err(|error| of_row("", error)) {
        Ok(row) => Ok(row.and_then(|row| row.try_get(0).ok())),
        Err(error) if error.is_damage() => Ok(None),
        Err(error) => Err(error),
    }
}

/// The texts that a statement finds; `None` where it meets a page that can't be read.
async fn readable(
    connection: &mut AnyConnection,
    text: &'static str,
) -> Result<Option<BTreeSet<String>>, StoreError> {
    let rows = sqlx::query(text).fetch_all(connection).await;
    match rows.map_err(|error| of_row("", error)) {
        Ok(rows) => Ok(Some(rows.iter().filter_map(|row| row.try_get(0).ok()).collect())),
        Err(error) if error.is_damage() => Ok(None),
        Err(error) => Err(error),
    }
}

/// Every plan asked by itself. It is slow: for when neither index of the times can be read. Those
/// that can't tell stand last; whoever moves them finds out.
async fn each_by_itself(
    connection: &mut AnyConnection,
    until: i64,
) -> Result<BTreeMap<String, i64>, StoreError> {
    let mut refs = readable(connection, ALL[0]).await?;
    if refs.is_none() {
        refs = readable(connection, ALL[1]).await?;
    }
    // To find nothing is not to know that there is nothing: then the service's memory must alert.
    let refs = refs.ok_or_else(|| StoreError::Damaged {
        plan: "of every kind".to_owned(),
        why: "neither list of the plans can be read".to_owned(),
        page: true,
    })?;
    let mut due = BTreeMap::new();
    for plan_ref in refs {
        let times =
            [wakes(connection, &plan_ref, 0).await?, wakes(connection, &plan_ref, 1).await?];
        let at = match times {
            // Neither copy says that it is closed.
            [None, None] => Some(i64::MAX),
            [Some(None), Some(None)] => {
                number(connection, &plan_ref, IS_OPEN).await?.map(|_| i64::MAX)
            }
            times => times.into_iter().flatten().flatten().min().filter(|at| *at <= until),
        };
        if let Some(at) = at {
            due.insert(plan_ref, at);
        }
    }
    Ok(due)
}

/// When a plan wakes by one of its copies, `Some(None)` for never; `None` where that can't be
/// read.
async fn wakes(
    connection: &mut AnyConnection,
    plan_ref: &str,
    copy: usize,
) -> Result<Option<Option<i64>>, StoreError> {
    let row = sqlx::query(WAKES[copy]).bind(plan_ref).fetch_optional(connection).await;
    match row.map_err(|error| of_row(plan_ref, error)) {
        Ok(row) => Ok(row.and_then(|row| row.try_get(0).ok())),
        Err(error) if error.is_damage() => Ok(None),
        Err(error) => Err(error),
    }
}
