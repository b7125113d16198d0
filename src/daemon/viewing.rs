//! Whose turn it is to be shown something of plans. A page of the longest plan takes a core for a
//! tenth of a second and more, so whoever asks for very many at once waits for themselves alone, and
//! few are made at once in all. Nothing of a plan but its link is read before the turn has come.

use std::sync::Arc;

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use super::Daemon;
use super::acting::LINKS_OUTLIVE_CLOSING;
use super::secrets::token_hash;
use super::turns::{Place, Turn, Turns};
use crate::store::StoreError;

/// So many pages by one link are made at once, and so many are in its line. Each reader has a link of
/// their own: twenty contacts and nine of a crew who look in the same second are in twenty-nine lines.
const BY_LINK: (usize, usize) = (1, 16);
/// Of all links to plans of one key together.
const BY_LINKS_OF_KEY: usize = 2;
/// What a key itself asks for. A club's telephones hold the same one.
const BY_KEY: (usize, usize) = (1, 64);
/// All that is held of a plan: up to two megabytes.
const EXPORTS: (usize, usize) = (1, 4);
/// So many are made at once in all. To pack one takes some 20 MB, and more make none any sooner.
const AT_ONCE: usize = 2;
/// Of what is long and by nobody's link or key. No page of ours is, but one that repeats what was typed.
const STRANGERS: (usize, usize) = (1, 4);
/// So many deeds by one link are under way: each is a small text until its plan is read.
const DEEDS: usize = 16;
/// And by one key: a club's telephones hold the same one, and what they file waits in a line of its own.
const DEEDS_BY_KEY: usize = 64;
/// So many plans are read at once for what comes by one link, and by all links to plans of one key.
const READ_BY_LINK: usize = 1;
const READ_BY_LINKS_OF_KEY: usize = 2;

/// What somebody asks to be shown, with the secret that opens it.
#[derive(Clone, Copy, Debug)]
pub enum Asked<'a> {
    /// A page by a link.
    Link(&'a str),
    /// A page for a rescue service: the plan's ref, and the link's secret.
    Rescue(&'a str, &'a str),
    /// What a key sees.
    Key(&'a str),
    /// All that is held of a plan, for a key.
    Export(&'a str),
}

/// More is asked for by one link or key than stands in its line.
#[derive(Clone, Copy, Debug)]
pub struct TooMany;

/// The lines of all.
pub(super) struct Viewings {
    links: Turns,
    links_of_keys: Turns,
    keys: Turns,
    exports: Turns,
    strangers: Turns,
    deeds: Turns,
    deeds_by_key: Turns,
    readings: [Turns; 2],
    at_once: Arc<Semaphore>,
}

/// A turn that has come, until it is dropped.
pub struct View {
    /// The key whose plans it is about.
    pub key_id: String,
    // The last to be waited for is the first to be given back.
    _hand: Option<OwnedSemaphorePermit>,
    _of_key: Option<Turn>,
    _own: Turn,
}

/// A deed that is under way, until it is dropped. It has a place in its line and waits for nobody: those
/// before it may hang with the disk, and it may be the check-in that keeps an alert from leaving.
pub struct Deed(#[allow(dead_code, reason = "it is held")] Place);

/// One of those who make long answers, until it is dropped.
pub struct Hand {
    _one_of_all: Option<OwnedSemaphorePermit>,
    _of_strangers: Option<Turn>,
}

impl Default for Viewings {
    fn default() -> Self {
        let turns = |(at_once, most)| Turns::new(at_once, most);
        Viewings {
            links: turns(BY_LINK),
            links_of_keys: Turns::new(BY_LINKS_OF_KEY, 0),
            keys: turns(BY_KEY),
            exports: turns(EXPORTS),
            strangers: turns(STRANGERS),
            deeds: Turns::new(1, DEEDS),
            deeds_by_key: Turns::new(1, DEEDS_BY_KEY),
            readings: [READ_BY_LINK, READ_BY_LINKS_OF_KEY].map(|at_once| Turns::new(at_once, 0)),
            at_once: Arc::new(Semaphore::new(AT_ONCE)),
        }
    }
}

impl Viewings {
    /// Waits for its turn; `None` for what opens nothing, by `whose`, which is asked once the turn among
    /// its own has come.
    async fn view(
        &self,
        asked: Asked<'_>,
        whose: impl Future<Output = Option<String>>,
    ) -> Result<Option<View>, TooMany> {
        let (lines, secret) = match asked {
            Asked::Link(secret) | Asked::Rescue(_, secret) => (&self.links, secret),
            Asked::Key(secret) => (&self.keys, secret),
            Asked::Export(secret) => (&self.exports, secret),
        };
        // The line of one's own comes first: in those that others stand in are no more than it lets by.
        let own = lines.enter(&token_hash(secret)).ok_or(TooMany)?.turn().await;
        let Some(key_id) = whose.await else { return Ok(None) };
        let of_key = match asked {
            Asked::Link(_) | Asked::Rescue(..) => {
                Some(self.links_of_keys.beside(&key_id).turn().await)
            }
            Asked::Key(_) | Asked::Export(_) => None,
        };
        Ok(Some(View { key_id, _hand: self.hand().await, _of_key: of_key, _own: own }))
    }

    async fn hand(&self) -> Option<OwnedSemaphorePermit> {
        // It never closes.
        Arc::clone(&self.at_once).acquire_owned().await.ok()
    }

    fn deed(&self, token: &str) -> Result<Deed, TooMany> {
        self.deeds.enter(&token_hash(token)).map(Deed).ok_or(TooMany)
    }

    /// Waits until a plan of this key may be read for what comes by a link.
    pub(super) async fn reading(&self, hash: &str, key_id: &str) -> [Turn; 2] {
        let [by_link, of_key] = &self.readings;
        let own = by_link.beside(hash).turn().await;
        [of_key.beside(key_id).turn().await, own]
    }
}

impl Daemon {
    /// Waits until this may be shown; `None` for a secret that opens nothing, or can't be looked up:
    /// to say so costs little. It is to be kept until the answer is a finished text.
    ///
    /// # Errors
    /// Its line is full.
    pub async fn view(&self, asked: Asked<'_>) -> Result<Option<View>, TooMany> {
        let whose = async { self.whose(asked).await.ok().flatten() };
        self.0.viewings.view(asked, whose).await
    }

    /// The key whose plans this opens; `None` where it opens nothing.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn whose(&self, asked: Asked<'_>) -> Result<Option<String>, StoreError> {
        let plan_ref = match asked {
            Asked::Key(secret) | Asked::Export(secret) => {
                return Ok(self.key(secret).await?.map(|key| key.id));
            }
            Asked::Link(token) => {
                let before = self.now() - LINKS_OUTLIVE_CLOSING;
                self.store().link(&token_hash(token), before).await?.map(|(plan_ref, _)| plan_ref)
            }
            Asked::Rescue(plan_ref, token) => {
                self.place_for_rescue(plan_ref, token).map(|_| plan_ref.to_owned())
            }
        };
        let Some(plan_ref) = plan_ref else { return Ok(None) };
        self.store().filed_by(&plan_ref).await
    }

    /// Waits for a hand for an answer that is long, whoever asked for it.
    pub async fn hand(&self) -> Hand {
        Hand { _one_of_all: self.0.viewings.hand().await, _of_strangers: None }
    }

    /// The same for whoever has neither link nor key: all of them have one hand, which is nobody else's.
    ///
    /// # Errors
    /// Their line is full.
    pub async fn hand_for_strangers(&self) -> Result<Hand, TooMany> {
        let turn = self.0.viewings.strangers.enter("").ok_or(TooMany)?.turn().await;
        Ok(Hand { _one_of_all: None, _of_strangers: Some(turn) })
    }

    /// That a deed by this link is under way. It is to be kept until the answer is a finished text.
    ///
    /// # Errors
    /// Its line is full.
    pub fn deed(&self, token: &str) -> Result<Deed, TooMany> {
        self.0.viewings.deed(token)
    }
}

impl Daemon {
    /// The same by a key.
    ///
    /// # Errors
    /// Its line is full.
    pub fn deed_by_key(&self, key_id: &str) -> Result<Deed, TooMany> {
        self.0.viewings.deeds_by_key.enter(key_id).map(Deed).ok_or(TooMany)
    }
}

#[cfg(test)]
mod tests {
    use std::future::poll_fn;
    use std::pin::Pin;
    use std::task::Poll;

    use futures_util::future::join_all;
    use tokio::task::unconstrained;

    use super::*;

    type Waiting<'a> = Pin<Box<dyn Future<Output = Result<Option<View>, TooMany>> + Send + 'a>>;

    /// Of a plan that this key filed.
    fn looks<'a>(all: &'a Viewings, asked: Asked<'a>, key_id: &'a str) -> Waiting<'a> {
        Box::pin(all.view(asked, async move { Some(key_id.to_owned()) }))
    }

    /// What became of them, all having asked before the first is answered.
    #[derive(Debug, Default, PartialEq, Eq)]
    struct Came {
        to: usize,
        waiting: usize,
        away: usize,
    }

    async fn all_at_once(waiting: &mut [Waiting<'_>], held: &mut Vec<View>) -> Came {
        let mut came = Came::default();
        for one in waiting {
            // The runtime would have whoever asks for so much in one breath wait for others.
            let mut one = unconstrained(one.as_mut());
            match poll_fn(|context| Poll::Ready(Pin::new(&mut one).poll(context))).await {
                Poll::Ready(Ok(view)) => {
                    came.to += 1;
                    held.extend(view);
                }
                Poll::Ready(Err(TooMany)) => came.away += 1,
                Poll::Pending => came.waiting += 1,
            }
        }
        came
    }

    #[tokio::test]
    async fn whoever_asks_by_one_link_again_and_again_keeps_nobody_from_a_page() {
        let (all, mut held) = (Viewings::default(), Vec::new());
        let mut greedy: Vec<_> =
            (0..450).map(|_| looks(&all, Asked::Link("greedy"), "key")).collect();
        let came = all_at_once(&mut greedy, &mut held).await;
        assert_eq!(came, Came { to: 1, waiting: 15, away: 434 });
        // Another contact of the same plan, and somebody of another.
        assert!(looks(&all, Asked::Link("another"), "key").await.is_ok_and(|view| view.is_some()));
        assert!(looks(&all, Asked::Link("a third"), "club").await.is_ok_and(|view| view.is_some()));
    }

    #[tokio::test]
    async fn all_of_a_plan_may_look_in_the_same_second() {
        let all = Viewings::default();
        let links: Vec<_> = (0..29).map(|at| format!("reader {at}")).collect();
        let looks = links.iter().map(|link| async {
            let view = looks(&all, Asked::Link(link), "key").await.unwrap().unwrap();
            // It is made.
            tokio::task::yield_now().await;
            drop(view);
        });
        join_all(looks).await;
    }

    /// Many links of one key: whoever comes by another's stands behind two of them, not behind all.
    #[tokio::test]
    async fn no_key_makes_the_pages_of_others_wait_for_all_of_its_own() {
        let (all, mut held) = (Viewings::default(), Vec::new());
        let links: Vec<_> = (0..450).map(|at| format!("link {at}")).collect();
        let mut greedy: Vec<_> =
            links.iter().map(|link| looks(&all, Asked::Link(link), "greedy")).collect();
        let came = all_at_once(&mut greedy, &mut held).await;
        assert_eq!(came, Came { to: 2, waiting: 448, away: 0 });
        let mut other = [looks(&all, Asked::Link("other"), "club")];
        assert_eq!(all_at_once(&mut other, &mut Vec::new()).await.waiting, 1);
        held.clear();
        assert_eq!(all_at_once(&mut greedy[2..], &mut held).await.to, 1, "the other hand is taken");
        assert_eq!(all_at_once(&mut other, &mut held).await.to, 1);
    }

    #[tokio::test]
    async fn an_export_is_made_one_at_a_time_and_keeps_nobody_waiting() {
        let (all, mut held) = (Viewings::default(), Vec::new());
        let mut exports: Vec<_> =
            (0..20).map(|_| looks(&all, Asked::Export("secret"), "key")).collect();
        let came = all_at_once(&mut exports, &mut held).await;
        assert_eq!(came, Came { to: 1, waiting: 3, away: 16 });
        assert!(looks(&all, Asked::Link("contact"), "key").await.is_ok_and(|view| view.is_some()));
        assert!(looks(&all, Asked::Key("secret"), "key").await.is_ok_and(|view| view.is_some()));
    }

    /// Whoever guesses takes no hand from those who look.
    #[tokio::test]
    async fn what_opens_nothing_waits_for_no_hand() {
        let all = Viewings::default();
        let _both = (all.hand().await, all.hand().await);
        let none = all.view(Asked::Link("guessed"), async { None }).await;
        assert!(none.is_ok_and(|view| view.is_none()));
    }

    #[tokio::test]
    async fn deeds_by_one_link_are_bounded_and_wait_for_no_hanging_one() {
        let all = Viewings::default();
        let hanging: Vec<_> = std::iter::from_fn(|| all.deed("crew").ok()).take(450).collect();
        assert_eq!(hanging.len(), DEEDS);
        assert!(all.deed("another").is_ok());
        drop(hanging);
        assert!(all.deed("crew").is_ok());
    }

    /// Nobody reads for long: whoever hangs with the disk has read already.
    #[tokio::test]
    async fn few_plans_are_read_at_once_for_one_link_and_for_one_key() {
        let (all, mut held, mut waiting) = (Viewings::default(), Vec::new(), Vec::new());
        let mut number = Vec::new();
        for (link, key_id) in
            [("a", "key"), ("a", "key"), ("b", "key"), ("c", "key"), ("d", "club")]
        {
            let mut one = Box::pin(all.reading(link, key_id));
            match poll_fn(|context| Poll::Ready(one.as_mut().poll(context))).await {
                Poll::Ready(turn) => held.push(turn),
                Poll::Pending => waiting.push(one),
            }
            number.push(held.len());
        }
        assert_eq!(number, [1, 1, 2, 2, 3], "one of a link, two of a key");
        held.clear();
        // What waited for the key was before what waited for its link.
        let first = waiting.pop().unwrap().await;
        let second = waiting.pop().unwrap().await;
        drop((first, second));
    }
}
