//! What is forgotten, and when: closed plans after their time, and contacts who never answered
//! sooner; from the database, its log, our copies, and the letters that were left in the folder.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use chrono::{DateTime, TimeDelta, Utc};
use tokio_util::sync::CancellationToken;

use super::filing::{card, to_json};
use super::{Daemon, FilingError, is_canary};
use crate::guarded::guarded_while;
use crate::plan::{Plan, read_json};
use crate::store::{Copies, PlanRecord, StoreError, Thinned};
use crate::watch::{Phase, Recipient};

/// Between looks at what has had its time.
const BETWEEN_PASSES: Duration = Duration::from_secs(600);
const AFTER_THE_START: Duration = Duration::from_secs(30);
/// A key whose plan was never written, since the service ended between, is removed after this.
const ORPHANS_AFTER: Duration = Duration::from_secs(86_400);
/// Refs are remembered for so long, for copies on a disk that is seldom there.
const REFS_KEPT: TimeDelta = TimeDelta::days(400);
/// What stands for a contact who was forgotten; RFC 2606 keeps `.invalid` from ever being anybody's.
const NOBODY: &str = "A contact who never answered";

/// What one pass forgot.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Forgotten {
    /// The plans that are gone.
    pub plans: Vec<String>,
    /// How many closed plans have lost contacts who never answered.
    pub thinned: usize,
    /// How many letters were removed from the outgoing folder.
    pub letters: usize,
    /// How our copies of the database fared.
    pub copies: Copies,
    /// Whether the database's log is empty now.
    pub log_emptied: bool,
}

/// Why a plan is not erased.
#[derive(Debug, thiserror::Error)]
pub enum NotErased {
    /// It is watched.
    #[error(
        "nothing was erased: this plan is open, and whoever watches it needs every word of it. \
         Check in or call the trip off first; a day after that it can be erased"
    )]
    Open,
    /// Its closing can still be taken back.
    #[error(
        "nothing was erased: for 24 hours after a trip's end those who were told of it can take \
         that back, and are then needed. It can be erased from {0} on"
    )]
    NotYet(String),
    /// A letter is still on its way.
    #[error(
        "nothing was erased: a letter about this trip is still on its way to somebody. Try again \
         in an hour"
    )]
    LettersWait,
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Why something is kept that by the clock on the wall has had its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Kept {
    /// The two clocks of the machine disagree.
    #[error(
        "nothing was forgotten: the clock of this machine was set, and nobody vouches for it yet. \
         Compare it with another; if it is right, run `shorelamp clock accept` while the service \
         runs, and purge again a minute later"
    )]
    Disputed,
    /// The database may be older than what it acknowledged.
    #[error(
        "nothing was forgotten: the database was restored or has lost something, and is being \
         reviewed. That ends by itself ten minutes after the service has started; purge again then"
    )]
    UnderReview,
    /// Time that no clock of ours counted.
    #[error(
        "in {plans} plans nothing was forgotten that by this machine's clock has had its time: of \
         the time since the service or its machine was off, nobody vouches for {hours} hours, and \
         a wrong clock must make nobody forget a trip of this morning. Start the service, and have \
         the clock synchronised (`timedatectl` tells whether it is) for a minute; or compare it \
         with another, and if it is right run `shorelamp clock accept` while the service runs. \
         Purge again a minute later"
    )]
    Unvouched {
        /// In how many plans.
        plans: i64,
        /// How much of the time.
        hours: i64,
    },
}

/// Forgets what has had its time, until `stop`.
pub(super) async fn forget_in_time(daemon: Daemon, stop: CancellationToken) {
    let mut pause = AFTER_THE_START;
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(pause) => {}
        }
        pause = BETWEEN_PASSES;
        let Ok(forgotten) = guarded_while(daemon.forget_what_is_over()).await else { continue };
        match forgotten {
            Ok(forgotten)
                if forgotten
                    == (Forgotten { log_emptied: forgotten.log_emptied, ..Default::default() }) => {
            }
            Ok(forgotten) => tell(&forgotten),
            Err(error) => tracing::warn!(%error, "what has had its time can't be forgotten yet"),
        }
    }
}

fn tell(forgotten: &Forgotten) {
    let Forgotten { plans, thinned, letters, copies, log_emptied } = forgotten;
    tracing::info!(
        plans = plans.len(),
        thinned,
        letters,
        copies = copies.thinned,
        log_emptied,
        "what has had its time is forgotten"
    );
    for (path, why) in &copies.out_of_reach {
        tracing::warn!(path = %path.display(), why, "a backup can't be reached, and still holds plans that are forgotten here");
    }
}

impl Daemon {
    /// Forgets every plan that was closed long enough ago, and the contacts who never answered.
    ///
    /// # Errors
    /// The database; what was forgotten before stays so.
    pub async fn forget_what_is_over(&self) -> Result<Forgotten, StoreError> {
        // A clock that jumped ahead, or a database that may be older than what it acknowledged, must
        // make nobody forget what can still be taken back.
        if self.0.clock.dispute().is_some() || self.is_under_review().await? {
            return Ok(Forgotten::default());
        }
        let (now, kept) = (self.surely_passed(), self.0.house.retention);
        let mut forgotten = Forgotten {
            thinned: self.thin(now - kept.unconfirmed.delta()).await?,
            ..Forgotten::default()
        };
        loop {
            let some = self.store().forget_closed_before(now - kept.closed.delta(), now).await?;
            if some.is_empty() {
                break;
            }
            forgotten.plans.extend(some);
        }
        self.forget_outside(&mut forgotten).await?;
        Ok(forgotten)
    }

    /// The keeper's commands run beside the service or without it: they ask the database.
    async fn is_under_review(&self) -> Result<bool, StoreError> {
        Ok(self.0.health.held_until().is_some() || self.store().is_under_review().await?)
    }

    /// Why something is kept still, though it has had its time; `None` where nothing is.
    ///
    /// # Errors
    /// The database.
    pub async fn why_kept(&self) -> Result<Option<Kept>, StoreError> {
        if self.0.clock.dispute().is_some() {
            return Ok(Some(Kept::Disputed));
        }
        if self.is_under_review().await? {
            return Ok(Some(Kept::UnderReview));
        }
        let (now, kept) = (self.now(), self.0.house.retention);
        let (closed, unconfirmed) = (now - kept.closed.delta(), now - kept.unconfirmed.delta());
        let unvouched = self.0.clock.unvouched();
        if unvouched <= TimeDelta::zero() {
            return Ok(None);
        }
        let plans = self.store().count_to_be_forgotten(closed, unconfirmed).await?;
        // An hour that has begun counts: less than one is not none.
        let hours = unvouched.num_hours() + 1;
        Ok((plans > 0).then_some(Kept::Unvouched { plans, hours }))
    }

    /// Erases one closed plan, everywhere.
    ///
    /// # Errors
    /// [`NotErased`]; then all of it is still there.
    pub async fn erase(&self, record: &PlanRecord) -> Result<(), NotErased> {
        let Phase::Closed(closing) = record.state.phase else { return Err(NotErased::Open) };
        let (now, from) = (self.surely_passed(), closing.at + TimeDelta::hours(24));
        if now < from {
            return Err(NotErased::NotYet(from.format("%-d %b %Y, %H:%M UTC").to_string()));
        }
        let day_ago = now - TimeDelta::hours(24);
        if !self.store().forget_one(&record.plan_ref, day_ago, now).await? {
            return Err(NotErased::LettersWait);
        }
        let plans = vec![record.plan_ref.clone()];
        self.forget_outside(&mut Forgotten { plans, ..Forgotten::default() }).await?;
        tracing::info!(plan = record.plan_ref, "a plan was erased");
        Ok(())
    }

    /// The time that it is at least. A machine that starts with its clock years ahead must make
    /// nobody forget a trip of this morning; where nobody ever vouches for the clock, all is kept
    /// for so much longer as the service was off.
    fn surely_passed(&self) -> DateTime<Utc> {
        self.now() - self.0.clock.unvouched()
    }

    /// What is kept of forgotten plans beside the database's own file.
    async fn forget_outside(&self, forgotten: &mut Forgotten) -> Result<(), StoreError> {
        for plan_ref in &forgotten.plans {
            self.forget_key(plan_ref);
        }
        self.forget_orphans().await?;
        let refs: BTreeSet<String> = forgotten.plans.iter().cloned().collect();
        let folder = self.0.post.folder().to_owned();
        let data_dir = self.store().data_dir().to_owned();
        let kept = self.0.house.retention.closed.delta() + self.0.clock.unvouched();
        let kept = kept.to_std().unwrap_or_default();
        let swept = tokio::task::spawn_blocking(move || {
            remove_older(&data_dir.join("readings"), |_| true, kept);
            remove_older(&data_dir, |name| name.ends_with(".before-restore"), kept);
            remove_letters(&folder, &refs)
        });
        forgotten.letters = swept.await.unwrap_or_default();
        forgotten.copies = self.store().thin_copies().await?;
        self.store().forget_refs(self.surely_passed() - REFS_KEPT).await?;
        forgotten.log_emptied = self.store().empty_log().await?;
        Ok(())
    }

    async fn forget_orphans(&self) -> Result<(), StoreError> {
        for (plan_ref, made_at) in self.plans_with_keys() {
            let old = made_at.is_some_and(|at| at.elapsed().is_ok_and(|ago| ago > ORPHANS_AFTER));
            if old && !self.store().has_plan(&plan_ref).await? {
                self.forget_key(&plan_ref);
            }
        }
        Ok(())
    }

    /// Takes the contacts who never answered out of the plans closed before; from how many plans.
    async fn thin(&self, before: DateTime<Utc>) -> Result<usize, StoreError> {
        let mut thinned = 0;
        loop {
            let plans = self.store().to_be_thinned(before).await?;
            if plans.is_empty() {
                return Ok(thinned);
            }
            for plan_ref in plans {
                let without = guarded_while(self.without_strangers(&plan_ref)).await;
                // One over which the program fails is kept whole as well.
                let without = match without.unwrap_or(Ok(None)) {
                    Ok(without) => without,
                    Err(error) if error.is_damage() => {
                        tracing::warn!(%error, "a closed plan is kept whole until its time");
                        None
                    }
                    Err(error) => return Err(error),
                };
                let is_thinner = without.is_some();
                match self.store().thin(&plan_ref, without, self.now()).await {
                    // What is damaged keeps no other plan from being forgotten.
                    Err(error) if error.is_damage() || error.is_of_a_page() => {
                        tracing::warn!(%error, "a closed plan is kept whole until its time");
                        self.store().thin(&plan_ref, None, self.now()).await?;
                    }
                    done => {
                        done?;
                        thinned += usize::from(is_thinner);
                    }
                }
            }
        }
    }

    async fn without_strangers(&self, plan_ref: &str) -> Result<Option<Thinned>, StoreError> {
        let record = self.store().plan(plan_ref).await?;
        if is_canary(&record) {
            return Ok(None);
        }
        let mut contacts = self.store().unconfirmed(plan_ref).await?;
        let state = &record.state;
        contacts.retain(|at| state.contacts.get(*at).is_none_or(|one| one.confirmed_at.is_none()));
        if contacts.is_empty() {
            return Ok(None);
        }
        let mut plan = self.plan_of(&record)?;
        let confirmed = self.confirmed_contacts(&plan).await?;
        contacts.retain(|at| !confirmed.contains(&Recipient::Contact(*at)));
        if contacts.is_empty() {
            return Ok(None);
        }
        blot_out(&mut plan, &contacts);
        let mut old = Vec::new();
        for version in self.store().old_versions(plan_ref).await? {
            let opened = self.0.secrets.open_sealed(plan_ref, &version.plan_json).text;
            let no_files = |_: &str| Err(String::new());
            let Ok(mut plan) = read_json(&opened, &no_files) else {
                // What can't be read can't be thinned: better gone than kept.
                old.push((version.replaced_by, "null".to_owned()));
                continue;
            };
            blot_out(&mut plan, &contacts);
            old.push((version.replaced_by, self.text_of(plan_ref, &plan).await?));
        }
        let card = card(&plan, &record.state.asked());
        let plan_json = self.text_of(plan_ref, &plan).await?;
        Ok(Some(Thinned { plan_ref: plan_ref.to_owned(), plan_json, old, card, contacts }))
    }

    async fn text_of(&self, plan_ref: &str, plan: &Plan) -> Result<String, StoreError> {
        match self.stored_text(plan_ref, plan).await {
            Ok(text) => Ok(text),
            Err(FilingError::Store(error)) => Err(error),
            // Its key is gone: what it sealed is lost already.
            Err(_) => {
                let mut plan = plan.clone();
                plan.crew.iter_mut().for_each(|one| one.medical = None);
                to_json(plan_ref, &plan)
            }
        }
    }
}

fn blot_out(plan: &mut Plan, contacts: &[usize]) {
    for at in contacts {
        let Some(contact) = plan.contacts.get_mut(*at) else { continue };
        contact.name = format!("{NOBODY} ({})", at + 1);
        contact.email = format!("contact-{}@forgotten.invalid", at + 1);
        (contact.phone, contact.relation) = (None, None);
    }
}

/// Removes letters about these plans; their names carry the refs.
fn remove_letters(folder: &Path, refs: &BTreeSet<String>) -> usize {
    if refs.is_empty() {
        return 0;
    }
    let is_about = |path: &PathBuf| {
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        refs.iter().any(|plan_ref| name.contains(&format!("-{plan_ref}-")))
    };
    let gone = |path: &PathBuf| match std::fs::remove_file(path) {
        Ok(()) => true,
        Err(error) => {
            tracing::warn!(%error, "a letter about a forgotten plan stays in the folder");
            false
        }
    };
    files(folder).into_iter().filter(is_about).filter(gone).count()
}

/// What the observation services answered tells where somebody went; what stood in a restored
/// backup's place tells of everything.
fn remove_older(folder: &Path, which: impl Fn(&str) -> bool, than: Duration) {
    let name = |path: &PathBuf| path.file_name().and_then(|name| name.to_str()).is_some_and(&which);
    for path in files(folder).into_iter().filter(name) {
        let written = std::fs::metadata(&path).and_then(|file| file.modified());
        let age = written.ok().and_then(|at| SystemTime::now().duration_since(at).ok());
        if age.is_some_and(|age| age > than) {
            // It is removed when the service starts, if not now.
            let _ = std::fs::remove_file(path);
        }
    }
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    entries.flatten().map(|entry| entry.path()).filter(|path| path.is_file()).collect()
}
