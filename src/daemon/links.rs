//! Links after the service's secret was lost or changed.

use super::{Daemon, is_canary};
use crate::guarded::guarded;
use crate::plan::read_json;
use crate::store::StoreError;

impl Daemon {
    /// Letters from now on carry links made of the present secret: where the open plans' were made
    /// of another, those of this one are added. The links that were sent go on working, since only
    /// their hashes are asked for.
    pub(super) async fn renew_links(&self) -> Result<(), StoreError> {
        let mark = self.0.secrets.mark();
        let known = self.store().links_mark().await?;
        if known.as_deref() == Some(mark.as_str()) {
            return Ok(());
        }
        if known.is_none() {
            self.seal_what_is_plain().await?;
            return self.store().mark_links(mark).await;
        }
        self.tell_of_new_secret();
        let mut left_out = None;
        for record in self.store().open_plans().await?.into_iter().filter_map(Result::ok) {
            if is_canary(&record) {
                continue;
            }
            match self.plan_of(&record) {
                Ok(plan) => {
                    let links = self.link_hashes(&record.plan_ref, &plan);
                    let added = self.store().add_links(&record.plan_ref, links).await;
                    left_out = left_out.or(added.err());
                }
                Err(error) => tracing::error!(%error, "a plan has no links of the new secret"),
            }
        }
        match left_out {
            // The next start tries again; one plan's damage keeps no other's links out.
            Some(error) => Err(error),
            None => self.store().mark_links(mark).await,
        }
    }

    /// What an earlier version of this program stored in plain text is sealed, once.
    async fn seal_what_is_plain(&self) -> Result<(), StoreError> {
        for plain in self.store().unsealed().await? {
            let plan_ref = plain.plan_ref.clone();
            // What is no plan any more is told of by those who read it.
            let read = guarded(|| read_json(&plain.plan_json, &|_| Err(String::new())));
            let Ok(Ok(plan)) = read else { continue };
            match self.stored_text(&plan_ref, &plan).await {
                Ok(sealed) => self.store().replace_unsealed(plain, sealed).await?,
                Err(error) => {
                    tracing::warn!(plan = plan_ref, %error, "medical notes stay unsealed")
                }
            }
        }
        Ok(())
    }

    fn tell_of_new_secret(&self) {
        self.tell_keeper(
            "secret",
            "the service's secret is another than before; alerts go out, and the links sent so far \
             go on working, but what plans say of their crews' health can't be opened, and the \
             alerts say so",
            &[
                "If you have a copy of the old `secret`: stop the service, put it back into the \
                 data folder, and start it again.",
                "If not, ask the crews of the open plans, and tell their contacts what a rescuer \
                 must know: `shorelamp board`.",
            ],
        );
    }
}
