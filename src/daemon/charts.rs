//! Charts for letters, drawn ahead and kept in memory. A letter never waits long for one, and an
//! alert not at all: without a chart it says as much.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use chrono::TimeDelta;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;

use super::judging::For;
use super::{Daemon, Dossier};
use crate::chart;
use crate::guarded::guarded;
use crate::measure::Position;
use crate::plan::Plan;
use crate::shoreline::{Shorelines, judge_route};
use crate::store::PlanRecord;
use crate::watch::Kind;

/// How much is kept, in bytes: more than a thousand charts.
const MOST_BYTES: usize = 32 * 1024 * 1024;
/// A plan without a chart takes few bytes: so many are kept all in all, as many as the memory of what
/// is due soon holds plans.
const MOST_KEPT: usize = 4000;
/// So many charts are kept for pages.
const MOST_PAGES: usize = 64;
/// So many letters that must go without are remembered.
const MOST_UNWELCOME: usize = 10_000;
/// Alerts that may be due within this find their chart drawn.
const AHEAD: TimeDelta = TimeDelta::hours(1);
const LOOKS_AFTER: Duration = Duration::from_secs(30);
/// For so long `filed` waits for its chart, and no more than so many letters at once: the others
/// go without.
const PATIENCE: Duration = Duration::from_secs(2);
const MOST_WAITING: usize = 8;
/// So soon before an alert nothing may wait: letters to one reader keep their order.
const HURRY: TimeDelta = TimeDelta::minutes(10);
/// After drawing, the hand rests so many times as long as it drew: what alerts need of the
/// machine comes first.
const RESTS: u32 = 4;

/// A picture, as PNG.
pub(super) type Picture = Arc<Vec<u8>>;

/// The charts at hand, and the one hand that draws.
pub(super) struct Charts {
    kept: Mutex<Kept>,
    pages: Pages,
    hand: Arc<Semaphore>,
    waiting: Semaphore,
    /// Letters that relays refused for what is in them, the oldest first, and what is left out of
    /// each since.
    unwelcome: Mutex<VecDeque<(String, LeftOut)>>,
}

/// What is left out of a letter that was refused.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum LeftOut {
    #[default]
    Nothing,
    /// Its picture, and what is enclosed.
    Picture,
    /// Whatever anybody typed: what is left are words of ours.
    Typed,
}

/// Routes and their charts, the oldest first.
type PageCharts = VecDeque<(Vec<Position>, Option<String>)>;

/// The charts of the pages looked at last, the oldest first: by their routes, for the shore is the
/// same as long as the service runs. And the one hand that draws them: letters never wait for it.
#[derive(Clone)]
struct Pages {
    kept: Arc<Mutex<PageCharts>>,
    hand: Arc<Semaphore>,
}

/// By their plans; the first drawn goes first.
#[derive(Default)]
struct Kept {
    drawn: BTreeMap<String, Drawn>,
    /// When each was drawn, by counting.
    order: BTreeMap<u64, String>,
    bytes: usize,
}

/// A plan's route and its chart; no picture where none could be drawn.
struct Drawn {
    number: u64,
    route: Vec<Position>,
    picture: Option<Picture>,
}

impl Default for Charts {
    fn default() -> Self {
        let (hand, waiting) = (Arc::new(Semaphore::new(1)), Semaphore::new(MOST_WAITING));
        let (kept, pages) = (Mutex::default(), Pages::default());
        Charts { kept, pages, hand, waiting, unwelcome: Mutex::default() }
    }
}

impl Default for Pages {
    fn default() -> Self {
        Pages { kept: Arc::default(), hand: Arc::new(Semaphore::new(1)) }
    }
}

impl Charts {
    /// This letter was refused: from now on it goes without these.
    pub(super) fn leave_out(&self, letter: &str, what: LeftOut) {
        let mut unwelcome = self.unwelcome.lock().unwrap_or_else(PoisonError::into_inner);
        unwelcome.retain(|(one, _)| one != letter);
        if unwelcome.len() == MOST_UNWELCOME {
            unwelcome.pop_front();
        }
        unwelcome.push_back((letter.to_owned(), what));
    }

    /// What this letter goes without.
    pub(super) fn left_out_of(&self, letter: &str) -> LeftOut {
        let unwelcome = self.unwelcome.lock().unwrap_or_else(PoisonError::into_inner);
        unwelcome.iter().find(|(one, _)| one == letter).map(|(_, what)| *what).unwrap_or_default()
    }
}

impl Daemon {
    /// The chart of a plan as SVG, for a page; `None` where there is nothing to draw, or where it is
    /// not there in time.
    pub async fn chart(&self, plan: &Plan) -> Option<String> {
        let daemon = self.clone();
        let drawing = move |route: &[Position]| draw(&daemon.0.judge.shores, route);
        self.0.charts.pages.of(plan.route(), drawing).await
    }

    /// The chart of a plan as PNG, for a download; drawn away from the threads that answer where it
    /// is not at hand.
    pub async fn chart_png(&self, dossier: &Dossier) -> Option<Vec<u8>> {
        let (plan_ref, route) = (&dossier.record.plan_ref, dossier.plan.route());
        if let Some(drawn) = self.0.charts.at_hand(plan_ref, &route) {
            return drawn.map(|picture| picture.to_vec());
        }
        let picture = self.drawn_in_turn(plan_ref, route).await?;
        Some(picture.to_vec())
    }

    /// The shore around a place, to tap a route on, if there is one; `None` where this key has too many
    /// drawn or judged already.
    pub async fn sheet(
        &self,
        key_id: &str,
        middle: Position,
        radius_m: f64,
    ) -> Option<Option<chart::Sheet>> {
        let hands = &self.0.hands;
        let turn = hands.askers.enter(key_id)?.turn().await;
        let daemon = self.clone();
        let drawing = move || chart::sheet(&daemon.0.judge.shores, middle, radius_m);
        Some(hands.judge(For::Asking(turn), drawing).await)
    }

    /// The chart for a letter of this kind, if that shows one and it is at hand in time.
    pub(super) async fn picture(&self, dossier: &Dossier, kind: Kind) -> Option<Picture> {
        let shown = kind.is_alert() || kind == Kind::Filed;
        let route = shown.then(|| dossier.plan.route())?;
        let (record, charts) = (&dossier.record, &self.0.charts);
        let plan_ref = &record.plan_ref;
        if let Some(drawn) = charts.at_hand(plan_ref, &route) {
            return drawn;
        }
        if kind.is_alert() || record.state.overdue_at() < self.now() + HURRY {
            if let Ok(hand) = Arc::clone(&charts.hand).try_acquire_owned() {
                tokio::spawn(self.clone().draw_for(plan_ref.clone(), route, hand));
            }
            return None;
        }
        let _seat = charts.waiting.try_acquire().ok()?;
        timeout(PATIENCE, self.drawn_in_turn(plan_ref, route)).await.ok()?
    }

    /// Draws once the hand is free, unless somebody else who waited has had the same drawn.
    async fn drawn_in_turn(&self, plan_ref: &str, route: Vec<Position>) -> Option<Picture> {
        let hand = Arc::clone(&self.0.charts.hand).acquire_owned().await.ok()?;
        match self.0.charts.at_hand(plan_ref, &route) {
            Some(drawn) => drawn,
            None => self.clone().draw_for(plan_ref.to_owned(), route, hand).await,
        }
    }

    /// Draws, away from the threads that send, and keeps what came out.
    async fn draw_for(
        self,
        plan_ref: String,
        route: Vec<Position>,
        hand: OwnedSemaphorePermit,
    ) -> Option<Picture> {
        let drawing = tokio::task::spawn_blocking(move || {
            let began = Instant::now();
            let drawn = guarded(|| {
                let svg = draw(&self.0.judge.shores, &route);
                svg.and_then(|svg| chart::png(&svg)).map(Arc::new)
            });
            // A letter says all without a chart.
            let picture = drawn.unwrap_or_default();
            self.0.charts.keep(plan_ref, route, picture.clone());
            (picture, began.elapsed())
        });
        let (picture, took) = drawing.await.ok()?;
        tokio::spawn(async move {
            sleep(took * RESTS).await;
            drop(hand);
        });
        picture
    }
}

/// Draws the charts of the alerts that may come soon, until `stop` is cancelled.
pub(super) async fn draw_ahead(daemon: Daemon, stop: CancellationToken) {
    // In which round a plan's chart was looked for: a route changes with a new round alone.
    let mut rounds: BTreeMap<String, u32> = BTreeMap::new();
    loop {
        let charts = &daemon.0.charts;
        let before = daemon.now() + AHEAD;
        let at_hand = |record: &PlanRecord| {
            let plan_ref = &record.plan_ref;
            rounds.get(plan_ref) == Some(&record.state.round) && charts.knows(plan_ref)
        };
        let soon = daemon.0.memory.overdue_before(before, at_hand);
        rounds.retain(|plan_ref, _| charts.knows(plan_ref));
        for record in soon {
            if stop.is_cancelled() {
                return;
            }
            if let Ok(plan) = daemon.plan_of(&record) {
                rounds.insert(record.plan_ref.clone(), record.state.round);
                daemon.draw_soon(&record.plan_ref, plan.route()).await;
            }
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = sleep(LOOKS_AFTER) => {}
        }
    }
}

impl Daemon {
    async fn draw_soon(&self, plan_ref: &str, route: Vec<Position>) {
        if self.0.charts.at_hand(plan_ref, &route).is_some() {
            return;
        }
        if let Ok(hand) = Arc::clone(&self.0.charts.hand).acquire_owned().await {
            self.clone().draw_for(plan_ref.to_owned(), route, hand).await;
        }
    }
}

fn draw(shores: &Shorelines, route: &[Position]) -> Option<String> {
    let judged = judge_route(shores, route);
    chart::svg(shores, route, &judged, "Chart of the planned route")
}

impl Charts {
    /// What was drawn of this very route; `None` if nothing was yet.
    fn at_hand(&self, plan_ref: &str, route: &[Position]) -> Option<Option<Picture>> {
        let kept = self.lock();
        let drawn = kept.drawn.get(plan_ref)?;
        (drawn.route == route).then(|| drawn.picture.clone())
    }

    fn keep(&self, plan_ref: String, route: Vec<Position>, picture: Option<Picture>) {
        self.lock().keep(plan_ref, route, picture);
    }

    /// Whether something was drawn of this plan, whatever its route was.
    fn knows(&self, plan_ref: &str) -> bool {
        self.lock().drawn.contains_key(plan_ref)
    }

    fn lock(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Pages {
    /// The chart of this route, drawn if it is not at hand, away from the threads that answer: the
    /// longest keeps a core busy for seconds. All who wait for the same have it drawn once, and nobody
    /// waits for long.
    async fn of(
        &self,
        route: Vec<Position>,
        draw: impl FnOnce(&[Position]) -> Option<String> + Send + 'static,
    ) -> Option<String> {
        if let Some(svg) = self.at_hand(&route) {
            return svg;
        }
        let drawing = async {
            let hand = Arc::clone(&self.hand).acquire_owned().await.ok()?;
            if let Some(svg) = self.at_hand(&route) {
                return svg;
            }
            let (pages, route) = (self.clone(), route.clone());
            let drawing = tokio::task::spawn_blocking(move || {
                // A page says all without a chart.
                let svg = guarded(|| draw(&route)).unwrap_or_default();
                pages.keep(route, svg.clone());
                drop(hand);
                svg
            });
            drawing.await.ok()?
        };
        timeout(PATIENCE, drawing).await.ok()?
    }

    fn at_hand(&self, route: &[Position]) -> Option<Option<String>> {
        self.lock().iter().find(|(of, _)| of == route).map(|(_, svg)| svg.clone())
    }

    fn keep(&self, route: Vec<Position>, svg: Option<String>) {
        let mut pages = self.lock();
        if pages.len() >= MOST_PAGES {
            pages.pop_front();
        }
        pages.push_back((route, svg));
    }

    fn lock(&self) -> MutexGuard<'_, PageCharts> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Kept {
    fn keep(&mut self, plan_ref: String, route: Vec<Position>, picture: Option<Picture>) {
        let number = self.order.last_key_value().map_or(0, |(last, _)| last + 1);
        let drawn = Drawn { number, route, picture };
        self.bytes += drawn.bytes();
        self.order.insert(number, plan_ref.clone());
        if let Some(old) = self.drawn.insert(plan_ref, drawn) {
            self.bytes -= old.bytes();
            self.order.remove(&old.number);
        }
        while (self.bytes > MOST_BYTES || self.drawn.len() > MOST_KEPT)
            && let Some((_, oldest)) = self.order.pop_first()
            && let Some(oldest) = self.drawn.remove(&oldest)
        {
            self.bytes -= oldest.bytes();
        }
    }
}

impl Drawn {
    fn bytes(&self) -> usize {
        let picture = self.picture.as_ref().map_or(0, |picture| picture.len());
        picture + self.route.len() * size_of::<Position>() + size_of::<Self>()
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    fn keep(charts: &Charts, plan_ref: &str, bytes: usize) {
        charts.keep(plan_ref.to_owned(), Vec::new(), Some(Arc::new(vec![0; bytes])));
    }

    #[test]
    fn the_oldest_makes_room() {
        let charts = Charts::default();
        keep(&charts, "first", MOST_BYTES / 2);
        keep(&charts, "second", 10);
        keep(&charts, "third", MOST_BYTES / 2);
        assert!(charts.at_hand("first", &[]).is_none());
        assert!(charts.at_hand("second", &[]).is_some() && charts.at_hand("third", &[]).is_some());
    }

    #[test]
    fn plans_without_a_chart_do_not_pile_up() {
        let charts = Charts::default();
        for number in 0..=MOST_KEPT {
            charts.keep(format!("plan-{number}"), Vec::new(), None);
        }
        assert!(!charts.knows("plan-0") && charts.knows("plan-1"));
        assert_eq!(charts.lock().drawn.len(), MOST_KEPT);
        let bytes: usize = charts.lock().drawn.values().map(Drawn::bytes).sum();
        assert_eq!(charts.lock().bytes, bytes);
    }

    fn route(lat_deg: f64) -> Vec<Position> {
        Position::new(lat_deg, -123.0).into_iter().collect()
    }

    #[tokio::test]
    async fn a_page_is_drawn_once_for_a_route_and_the_oldest_is_forgotten() {
        let (pages, drawn) = (Pages::default(), Arc::new(AtomicUsize::new(0)));
        let look = async |lat_deg: f64| {
            let counted = Arc::clone(&drawn);
            let draw = move |_: &[Position]| {
                counted.fetch_add(1, Ordering::SeqCst);
                Some(format!("chart of {lat_deg}"))
            };
            let svg = pages.of(route(lat_deg), draw).await;
            assert_eq!(svg, Some(format!("chart of {lat_deg}")));
            drawn.load(Ordering::SeqCst)
        };
        look(48.0).await;
        assert_eq!(look(48.0).await, 1);
        for at in 0..MOST_PAGES {
            look(at as f64 / 2.0).await;
        }
        assert_eq!(
            (drawn.load(Ordering::SeqCst), pages.lock().len()),
            (1 + MOST_PAGES, MOST_PAGES)
        );
        assert_eq!(look(48.0).await, 2 + MOST_PAGES);
    }

    #[tokio::test]
    async fn pages_wait_for_one_drawing_of_theirs_and_not_for_long() {
        let (pages, drawn) = (Pages::default(), Arc::new(AtomicUsize::new(0)));
        let (end, ends) = std::sync::mpsc::channel::<()>();
        let ends = Arc::new(Mutex::new(ends));
        let looks = |lat_deg: f64| {
            let (pages, drawn, ends) = (pages.clone(), Arc::clone(&drawn), Arc::clone(&ends));
            let draw = move |_: &[Position]| {
                drawn.fetch_add(1, Ordering::SeqCst);
                ends.lock().unwrap().recv().ok()?;
                Some("chart".to_owned())
            };
            tokio::spawn(async move { pages.of(route(lat_deg), draw).await })
        };
        for early in [looks(48.0), looks(48.0), looks(49.0)] {
            assert_eq!(early.await.unwrap(), None, "it goes without");
        }
        let late = [looks(48.0), looks(48.0)];
        tokio::task::yield_now().await;
        end.send(()).unwrap();
        for one in late {
            assert_eq!(one.await.unwrap().as_deref(), Some("chart"));
        }
        assert_eq!(drawn.load(Ordering::SeqCst), 1, "nobody draws for whoever waits no more");
    }

    #[test]
    fn another_route_wants_another_chart() {
        let charts = Charts::default();
        keep(&charts, "one", 10);
        let elsewhere = route(48.0);
        assert!(charts.at_hand("one", &elsewhere).is_none());
        charts.keep("one".to_owned(), elsewhere.clone(), Some(Arc::new(vec![0; 20])));
        assert!(charts.at_hand("one", &elsewhere).is_some());
        let kept = charts.lock();
        assert_eq!((kept.drawn.len(), kept.order.len()), (1, 1));
    }
}
