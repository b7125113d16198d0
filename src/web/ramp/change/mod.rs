//! The plan changed from the crew's page: the ramp's form, filled with the plan as it stands.

mod merge;
mod standing;
mod view;

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use axum::{Extension, Router};
use chrono::{DateTime, Utc};

use super::draft::Draft;
use super::judged::{self, Judged};
use crate::caution::{Caution, worse};
use crate::daemon::secrets::{new_key, token_hash};
use crate::daemon::{Daemon, FilingError, Foreseen, Seen, Visit};
use crate::plan::{Faults, Plan};
use crate::store::StoreError;
use crate::watch::{By, Part, Refusal};
use crate::web::crew::{is_taken_off, its_own, open};
use crate::web::key::Device;
use crate::web::often::Often;
use crate::web::page::{Sorry, see_other};
use crate::web::problem::Problem;
use crate::web::typed::Typed;
use crate::web::words::{sentence, typed_name};
use crate::web::{changed, said};
use standing::{Filled, Standing};

/// A telephone that reaches nobody.
const NOBODYS_PHONE: &str = "000 000 0000";

pub(super) fn routes() -> Router<Daemon> {
    Router::new().route("/crew/{token}/change", get(show).post(send))
}

/// One visit of the page: whose, to which plan, and what its form holds.
struct Sheet {
    token: String,
    visit: Visit,
    device: Option<Device>,
    standing: Standing,
    filled: Filled,
    /// The form's key: what it asks for is done once.
    once: String,
    /// The name typed.
    name: String,
}

/// What the page says besides the form.
#[derive(Default)]
struct Told {
    status: StatusCode,
    faults: Option<Faults>,
    /// What is wrong with the name typed.
    unnamed: Option<&'static str>,
    refused: Option<String>,
    /// What would change, whom it is told to, and what gets worse by it.
    ahead: Vec<String>,
    letters: Vec<String>,
    worse: Vec<Caution>,
    judged: Option<Judged>,
    times: Vec<String>,
}

async fn show(
    State(daemon): State<Daemon>,
    Path(token): Path<String>,
    device: Result<Option<Device>, Sorry>,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    if is_taken_off(&visit) {
        return Ok(see_other(&format!("/crew/{token}")));
    }
    let device = its_own(device, &visit);
    let standing = Standing::of(&visit.dossier.plan, &visit.dossier.record.state, device.is_some());
    let filled = Filled { draft: standing.shown.clone(), meanwhile: Default::default() };
    let (once, name) = (new_key()?, String::new());
    let sheet = Sheet { token, visit, device, standing, filled, once, name };
    Ok(sheet.page(&daemon, Told::default()))
}

fn no_longer_theirs() -> Sorry {
    let detail = "you are no longer on this trip, and nothing was changed: ask one of the crew";
    Problem::not_allowed(detail).into()
}

/// Judges what the form holds, or changes the plan to it.
async fn send(
    State(daemon): State<Daemon>,
    Extension(often): Extension<Often>,
    Path(token): Path<String>,
    device: Result<Option<Device>, Sorry>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    if is_taken_off(&visit) {
        return Err(no_longer_theirs());
    }
    let device = its_own(device, &visit);
    let sends = typed.get("do") == "change";
    let body = typed.whole();
    let plan_ref = visit.dossier.record.plan_ref.clone();
    let mut used = false;
    if sends {
        match daemon.is_amended(&plan_ref, &key(&typed), body.as_bytes()).await {
            Ok(true) => return Ok(done(&token, visit.dossier.record.state.changed_by)),
            Ok(false) => {}
            Err(FilingError::Store(StoreError::OtherBody)) => used = true,
            // What can't be read now is told by the change itself, and what was typed is kept.
            Err(_) => {}
        }
    }
    let state = &visit.dossier.record.state;
    let standing = Standing::of(&visit.dossier.plan, state, device.is_some());
    let is_newest = typed.get("round").parse() == Ok(state.round);
    let seen = if is_newest { standing.shown.clone() } else { seen(&typed) };
    let filled = standing.fill(&seen, &typed);
    let (once, name) = (typed.get("once").to_owned(), typed.get("name").to_owned());
    let mut sheet = Sheet { token, visit, device, standing, filled, once, name };
    if sheet.visit.dossier.record.state.is_closed() {
        return Ok(sheet.page(&daemon, Told::refusal(&Refusal::Closed)));
    }
    if !is_newest || used {
        // The next time it is sent it asks for something else.
        sheet.once = new_key()?;
        let why = if used { used_before() } else { sheet.moved_on() };
        return Ok(sheet.page(&daemon, Told::refused(StatusCode::CONFLICT, why)));
    }
    let plan = match merge::merge(&sheet.standing, &sheet.filled.draft) {
        Ok(plan) => plan,
        Err(faults) => return Ok(sheet.page(&daemon, Told::faults(faults))),
    };
    let by = sheet.speaker(&typed);
    let said_by = by.clone().unwrap_or(By::Crew(None));
    let anew = sheet.standing.written_unseen(&sheet.filled.draft);
    let dossier = &sheet.visit.dossier;
    let Some(foreseen) = dossier.foresee(&plan, &anew, &said_by, daemon.now()) else {
        let why = "Nothing in this form differs from the plan as it stands: nothing was changed, \
                   and nobody is written to.";
        return Ok(
            sheet.page(&daemon, Told::refused(StatusCode::UNPROCESSABLE_ENTITY, why.to_owned()))
        );
    };
    match by {
        _ if !sends => sheet.judge(&daemon, &plan, foreseen).await,
        Err(why) => Ok(sheet.page(&daemon, Told::unnamed(why))),
        Ok(by) => sheet.change((&often, &daemon), (&plan, anew), &by, &typed, &seen).await,
    }
}

impl Sheet {
    async fn judge(
        self,
        daemon: &Daemon,
        plan: &Plan,
        foreseen: Foreseen,
    ) -> Result<Response, Sorry> {
        let review = daemon.review(&self.visit.dossier.record.key_id, &self.unguessed(plan)).await;
        let mut review = review.ok_or_else(|| {
            let detail = "several plans of this trip's key are being judged already; nothing was \
                          judged or changed. Go back and try again in a moment. A plan can be \
                          changed unjudged: it is judged then";
            Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(5)
        })?;
        // Whether notes on health were filed is not told here.
        review.asked = Default::default();
        let before = self.visit.dossier.review.as_ref();
        let before = before.map(|review| review.cautions.clone()).unwrap_or_default();
        let now = daemon.now();
        let mut told = Told {
            faults: self.check(plan, now).err(),
            ahead: changed::lines(&foreseen.to, &foreseen.plan),
            worse: worse(&before, &review.cautions),
            judged: Some(Judged::of(&review, plan, daemon.chart(plan).await)),
            times: judged::times(plan, review.timing.overdue_at.to_utc(), now),
            ..Told::default()
        };
        match foreseen.letters {
            Ok(orders) => {
                let orders: Vec<_> = orders.iter().map(|one| (one.to, one.kind)).collect();
                told.letters = changed::letters(&orders, &foreseen.to, &foreseen.plan);
            }
            // The fault beside the field says the same.
            Err(Refusal::PastReturn) if told.faults.is_some() => {}
            Err(refusal) => {
                told.refused = Some(format!("It can't be changed so: {refusal}."));
                told.status = StatusCode::CONFLICT;
            }
        }
        Ok(self.page(daemon, told))
    }

    /// What stands against this change, as it will be held against it when it is written.
    fn check(&self, plan: &Plan, now: DateTime<Utc>) -> Result<(), Faults> {
        let old = &self.visit.dossier.plan;
        match self.standing.typed_unseen(&self.filled.draft) {
            Some(typed) => plan.check_amending_unseen(old, typed, now),
            None => plan.check_amending(old, now),
        }
    }

    /// The plan as it is looked at. How contacts are reached is told to the device that filed alone, so for
    /// any other no telephone that was typed is held against theirs before it is written.
    fn unguessed(&self, plan: &Plan) -> Plan {
        let mut plan = plan.clone();
        if self.device.is_none() {
            let filed = &self.visit.dossier.plan.crew;
            let is_filed =
                |phone: &String| filed.iter().any(|one| one.phone.as_ref() == Some(phone));
            let phones = plan.crew.iter_mut().filter_map(|one| one.phone.as_mut());
            for phone in phones.filter(|phone| !is_filed(phone)) {
                NOBODYS_PHONE.clone_into(phone);
            }
        }
        plan
    }

    async fn change(
        mut self,
        (often, daemon): (&Often, &Daemon),
        (plan, anew): (&Plan, Vec<Part>),
        by: &By,
        typed: &Typed,
        seen: &Draft,
    ) -> Result<Response, Sorry> {
        let record = &self.visit.dossier.record;
        let (plan_ref, round) = (record.plan_ref.clone(), record.state.round);
        let (once, body) = (key(typed), typed.whole());
        let under_way = match often.change_allowed(daemon, &plan_ref, Some(&once)).await {
            Ok(under_way) => under_way,
            Err(problem) => return Ok(self.page(daemon, Told::problem(&problem))),
        };
        let typed_unseen = self.standing.typed_unseen(&self.filled.draft);
        let looked_at = Seen { round, anew, typed_unseen };
        let sent = daemon.amend_seen(&looked_at, &plan_ref, plan, by, &once, body.as_bytes()).await;
        under_way.finish();
        match sent {
            Ok(amended) => Ok(done(&self.token, amended.filed.status.state.changed_by)),
            Err(FilingError::Faults(faults)) => Ok(self.page(daemon, Told::faults(faults))),
            Err(FilingError::Store(StoreError::Refused(Refusal::MovedOn))) => {
                // Somebody was quicker by a moment.
                self.visit = open(daemon, &self.token).await?;
                // It took them off the trip, perhaps: then they are not to read what it is now.
                if is_taken_off(&self.visit) {
                    return Err(no_longer_theirs());
                }
                let dossier = &self.visit.dossier;
                self.standing =
                    Standing::of(&dossier.plan, &dossier.record.state, self.device.is_some());
                self.filled = self.standing.fill(seen, typed);
                self.once = new_key()?;
                let why = self.moved_on();
                Ok(self.page(daemon, Told::refused(StatusCode::CONFLICT, why)))
            }
            Err(error) => Ok(self.page(daemon, Told::problem(&Problem::not_amended(error)))),
        }
    }

    /// Who changes it: the device that filed, or a name typed.
    fn speaker(&self, typed: &Typed) -> Result<By, &'static str> {
        let owns = |device: &Device| device.owns_form(typed.get("once"), typed.get("token"));
        match self.name.as_str() {
            "" if self.device.as_ref().is_some_and(owns) => Ok(By::Crew(None)),
            name => Ok(By::Crew(Some(typed_name(name)?))),
        }
    }

    /// That somebody else changed the plan since the form was opened, and who and how.
    fn moved_on(&self) -> String {
        let dossier = &self.visit.dossier;
        let number = dossier.record.state.changed_by;
        let said = said::history(dossier).into_iter().find(|said| Some(said.event) == number);
        let said = said.map(|said| format!(" {}", said.words)).unwrap_or_default();
        format!(
            "The plan has changed since you opened this form.{said} What you typed is kept below, \
             and what you did not touch is the plan as it now stands. Where both of you changed \
             the same thing, the plan's own words stand beside yours. Look it over and send it \
             again."
        )
    }
}

impl Told {
    fn faults(faults: Faults) -> Self {
        let status = StatusCode::UNPROCESSABLE_ENTITY;
        Told { status, faults: Some(faults), ..Told::default() }
    }

    fn unnamed(why: &'static str) -> Self {
        let status = StatusCode::UNPROCESSABLE_ENTITY;
        Told { status, unnamed: Some(why), ..Told::default() }
    }

    fn refused(status: StatusCode, why: String) -> Self {
        Told { status, refused: Some(why), ..Told::default() }
    }

    fn refusal(refusal: &Refusal) -> Self {
        Told::refused(StatusCode::CONFLICT, format!("Nothing was changed: {refusal}."))
    }

    fn problem(problem: &Problem) -> Self {
        Told::refused(problem.status, format!("{}.", sentence(&problem.detail)))
    }
}

fn used_before() -> String {
    "This form has changed the plan already, with other words in it, and nothing more was changed \
     now. If you want this change too, look it over and send it once more."
        .to_owned()
}

/// The key under which this form changes the plan: once.
fn key(typed: &Typed) -> String {
    token_hash(&format!("change {}", typed.get("once")))
}

/// What the form showed before anything was typed, as it says itself.
fn seen(typed: &Typed) -> Draft {
    Draft::of_pairs(form_urlencoded::parse(typed.get("seen").as_bytes()).into_owned())
}

fn done(token: &str, event: Option<u32>) -> Response {
    see_other(&format!("/crew/{token}?did={}", event.unwrap_or(0)))
}
