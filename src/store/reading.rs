//! Reading many plans with their history at once, for whoever writes their letters.

use std::collections::{BTreeMap, BTreeSet};

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use super::history::past;
use super::plans::{PlanRecord, record};
use super::{Store, StoreError, list};
use crate::watch::Past;

/// A plan and what has happened to it.
pub type Read = (PlanRecord, Vec<Past>);

/// Plans that were read together.
#[derive(Default)]
pub struct ReadPlans(BTreeMap<String, Read>);

impl ReadPlans {
    /// This plan; `None` for one to be read by itself, since something about it could not be read.
    #[must_use]
    pub fn get(&self, plan_ref: &str) -> Option<Read> {
        self.0.get(plan_ref).cloned()
    }
}

impl Store {
    /// Reads these plans. It only saves time: what could not be read is left out.
    pub async fn read_together<'a>(&self, refs: impl Iterator<Item = &'a str>) -> ReadPlans {
        let refs: BTreeSet<&str> = refs.collect();
        if refs.is_empty() {
            return ReadPlans::default();
        }
        match self.heed(self.try_read_together(&refs).await) {
            Ok(plans) => plans,
            Err(error) => {
                tracing::error!(%error, "plans can't be read together: each is read by itself");
                ReadPlans::default()
            }
        }
    }

    /// The keys that filed these plans; none of those that can't be read.
    pub async fn keys_of<'a>(&self, refs: impl Iterator<Item = &'a str>) -> BTreeSet<String> {
        let refs: BTreeSet<&str> = refs.collect();
        let read = async {
            let mut connection = self.own_reader.acquire().await?;
            let rows = select(&mut connection, "key_id FROM plans WHERE ref", &refs, "").await?;
            rows.iter().map(|row| Ok(row.try_get("key_id")?)).collect::<Result<_, StoreError>>()
        };
        read.await.unwrap_or_else(|error| {
            tracing::warn!(%error, "whose letters these are can't be read");
            BTreeSet::new()
        })
    }

    async fn try_read_together(&self, refs: &BTreeSet<&str>) -> Result<ReadPlans, StoreError> {
        let mut connection = self.own_reader.acquire().await?;
        let mut plans = BTreeMap::new();
        let what = "ref, plan_json, review_json, state_json, state_sum, filed_at, key_id FROM plans \
             LEFT JOIN papers ON papers.plan = plans.ref WHERE ref";
        for row in select(&mut connection, what, refs, "").await? {
            let plan_ref: String = row.try_get("ref")?;
            if let Ok(record) = record(&row, &plan_ref) {
                plans.insert(plan_ref, (record, Vec::new()));
            }
        }
        let what = "plan, number, at, event_json FROM events WHERE plan";
        for row in select(&mut connection, what, refs, "ORDER BY plan, number").await? {
            let plan_ref: String = row.try_get("plan")?;
            let Some((_, history)) = plans.get_mut(&plan_ref) else { continue };
            match past(&row, &plan_ref) {
                Ok(past) => history.push(past),
                Err(_) => {
                    plans.remove(&plan_ref);
                }
            }
        }
        Ok(ReadPlans(plans))
    }
}

async fn select(
    connection: &mut AnyConnection,
    what: &str,
    refs: &BTreeSet<&str>,
    order: &str,
) -> Result<Vec<AnyRow>, StoreError> {
    let text = format!("SELECT {what} IN ({}) {order}", list(1, refs.len()));
    let mut select = sqlx::query(sqlx::AssertSqlSafe(text));
    for plan_ref in refs {
        select = select.bind(*plan_ref);
    }
    Ok(select.fetch_all(connection).await?)
}
