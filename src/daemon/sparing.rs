//! Letters that their readers are spared, or get later: what the plan owes is one thing, how much one
//! mailbox is to take another. No alert is among them, and nothing that corrects or ends an alert which
//! its reader had; but whoever had several of one kind of one trip gets more of it at the pace of the
//! ladder's repeats, whatever people answer, end and take back, and each says what is so by then.

use chrono::TimeDelta;

use super::{Daemon, Dossier};
use crate::store::{Claimed, Gone};
use crate::watch::{Kind, Recipient};

/// So many letters of what becomes of trips reach somebody within a day who has never answered, for
/// each plan that may name them in a day (common sense, no source): what is more waits, and the newest
/// of it takes the place of what it outdates. So many of one plan go in any case: the letters of others'
/// trips must keep nobody from hearing that theirs is over.
const MOST_FOR_A_PLAN: i64 = 6;
/// And never fewer than these.
const ALWAYS: i64 = 60;
/// So many letters a day tell the keeper what could stop one plan's alert; then one an hour.
const MOST_TROUBLES: i64 = 12;
/// So many letters of one kind of one trip reach somebody within a day before they keep that pace (common
/// sense, no source). The ladder itself sends them no faster; a slip of the finger is taken back once or
/// twice.
const MOST_AT_ONCE: i64 = 4;
/// A repeat is due just so long after the one before, and that one left a moment late.
const TOLERANCE: TimeDelta = TimeDelta::seconds(5);
/// When it is looked whether those under way have come to their end; one that hangs does within a minute or so.
const SOON: TimeDelta = TimeDelta::seconds(3);
const A_DAY: TimeDelta = TimeDelta::days(1);
const AN_HOUR: TimeDelta = TimeDelta::hours(1);
/// When such a letter is looked at again.
const AGAIN_AFTER: TimeDelta = TimeDelta::minutes(10);

/// What is done with a letter that is owed.
pub(super) enum Spared {
    /// It goes.
    No,
    /// It waits for so long.
    For(TimeDelta),
    /// Its reader has asked for no letters.
    Forever,
}

impl Daemon {
    /// Whether its reader is spared this letter. What can't be looked up spares nobody.
    pub(super) async fn is_spared(
        &self,
        letter: &Claimed,
        dossier: &Dossier,
        email: &str,
    ) -> Spared {
        let (to, kind) = (letter.order.to, letter.order.kind);
        if kind == Kind::Trouble {
            return self.is_one_of_many(letter).await;
        }
        if let Some(wait) = self.keeps_pace(letter, dossier).await {
            return Spared::For(wait);
        }
        if to == Recipient::Keeper || kind.is_alert() {
            return Spared::No;
        }
        let alerted = dossier.record.state.told(to).alerted;
        if alerted && kind != Kind::News {
            return Spared::No;
        }
        // Of a contact the plan itself knows that they want none.
        if matches!(to, Recipient::Crew(_)) && self.has_said_never(email).await {
            return Spared::Forever;
        }
        match kind {
            Kind::Changed | Kind::Home | Kind::Withdrawn | Kind::News
                if self.has_heard_enough(letter, email, alerted).await =>
            {
                // Of other kinds the plan knows which is outdated.
                if kind == Kind::News && self.newer_waits(letter).await {
                    return Spared::Forever;
                }
                Spared::For(AGAIN_AFTER)
            }
            _ => Spared::No,
        }
    }

    /// For how long a letter waits on which its reader is to act at once. Whoever got none of its kind
    /// lately gets it at once.
    async fn keeps_pace(&self, letter: &Claimed, dossier: &Dossier) -> Option<TimeDelta> {
        let state = &dossier.record.state;
        // Each of the letters before it was ordered by an event of its own.
        if letter.order.kind.can_wait() || i64::from(state.events) <= MOST_AT_ONCE {
            return None;
        }
        let now = self.now();
        // Others are handed over meanwhile.
        let gone = self.store().gone_of_late(letter, [now - A_DAY, now + TOLERANCE]).await;
        let gone = gone.unwrap_or_else(|error| {
            tracing::warn!(%error, "what somebody was written of late can't be looked up");
            Gone::default()
        });
        if gone.handed + gone.under_way < MOST_AT_ONCE {
            return None;
        }
        if gone.under_way > 0 {
            return Some(SOON);
        }
        let (since, pace) =
            (now - gone.last?, state.terms.ladder.repeat().delta().min(AGAIN_AFTER));
        // It went by a clock that was set back since: how long ago, nobody knows.
        if since < -TOLERANCE {
            return None;
        }
        (since + TOLERANCE < pace).then(|| pace - since)
    }

    /// A plan's crew and contacts can make trouble as often as they like, and the keeper's box must not
    /// be full of it when another plan is in trouble. What is more than a dozen a day comes once an
    /// hour: the newest alone, which says where the plan stands.
    async fn is_one_of_many(&self, letter: &Claimed) -> Spared {
        let now = self.now();
        match self.store().troubles_of_late(letter, [now - A_DAY, now - AN_HOUR, now]).await {
            Ok((of_day, _)) if of_day < MOST_TROUBLES => Spared::No,
            Ok(_) if self.newer_waits(letter).await => Spared::Forever,
            Ok((_, 0)) => Spared::No,
            Ok(_) => Spared::For(AGAIN_AFTER),
            Err(error) => {
                tracing::warn!(%error, "how much the keeper was told can't be looked up");
                Spared::No
            }
        }
    }

    async fn newer_waits(&self, than: &Claimed) -> bool {
        self.store().newer_waits(than).await.unwrap_or_else(|error| {
            tracing::warn!(%error, "whether a newer letter waits can't be looked up");
            false
        })
    }

    async fn has_said_never(&self, email: &str) -> bool {
        let mailbox = self.0.secrets.reader(email).mailbox;
        self.store().has_said_never(&mailbox).await.unwrap_or_else(|error| {
            tracing::warn!(%error, "whether somebody wants no letters can't be looked up");
            false
        })
    }

    /// Whoever was alerted hears of that trip whatever they hear of others; but not without end, for
    /// their alert may be over long since.
    async fn has_heard_enough(&self, letter: &Claimed, email: &str, alerted: bool) -> bool {
        let reader = self.0.secrets.reader(email);
        let now = self.now();
        let plans = self.0.house.limits.filings_per_address_per_day;
        let told = self.store().told_of_late(&reader, letter, [now - A_DAY, now]).await;
        told.map_or_else(
            |error| {
                tracing::warn!(%error, "how much somebody was written to can't be looked up");
                false
            },
            |(all, of_plan)| match alerted {
                true => of_plan >= ALWAYS,
                false => {
                    let most = (MOST_FOR_A_PLAN * i64::from(plans)).max(ALWAYS);
                    all >= most && of_plan >= MOST_FOR_A_PLAN
                }
            },
        )
    }
}
