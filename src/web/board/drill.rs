//! An exercise, ordered from the board: the contacts of a plan are written to as in an alert, in a
//! letter that says that it is none.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;

use super::{keeper, page};
use crate::daemon::Daemon;
use crate::store::StoreError;
use crate::watch::Recipient;
use crate::web::key::Device;
use crate::web::page::Sorry;
use crate::web::problem::Problem;
use crate::web::spoken::plan_ref;
use crate::web::typed::Typed;
use crate::web::words::list;

/// What became of it.
pub(super) struct Said {
    pub(super) status: StatusCode,
    pub(super) text: String,
}

impl Said {
    pub(super) fn is_fault(&self) -> bool {
        self.status != StatusCode::OK
    }

    fn fault(text: String) -> Self {
        Said { status: StatusCode::UNPROCESSABLE_ENTITY, text }
    }
}

/// Writes to every contact of the plan that is typed who wants letters.
pub(super) async fn order(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let device = keeper(device)?;
    if !device.owns_form(typed.get("once"), typed.get("token")) {
        let detail = "this form was not served to this device; nothing was ordered";
        return Err(Problem::not_allowed(detail).into());
    }
    let plan_ref = plan_ref(typed.get("ref"));
    let said = match daemon.status(&plan_ref).await {
        Ok(status) => {
            let contacts = &status.state.contacts;
            let wants = |at: &usize| contacts.get(*at).is_some_and(|it| it.opted_out.is_none());
            let willing = status.state.asked().into_iter().filter(wants);
            let mut told = Vec::new();
            let mut refused = None;
            for at in willing {
                match daemon.drill(&plan_ref, at).await {
                    Ok(()) => told.push(status.reader_name(Recipient::Contact(at)).to_owned()),
                    Err(StoreError::Refused(refusal)) => refused = Some(refusal),
                    Err(error) => return Err(error.into()),
                }
            }
            match refused {
                Some(refusal) => Said::fault(format!("No exercise was ordered: {refusal}.")),
                None if told.is_empty() => Said::fault(
                    "No exercise was ordered: this plan has nobody to send it to.".into(),
                ),
                None => Said {
                    status: StatusCode::OK,
                    text: format!(
                        "An exercise goes to {}. It is no alert, and says so.",
                        list(&told)
                    ),
                },
            }
        }
        Err(StoreError::NoSuchPlan) => {
            Said::fault(format!("No exercise was ordered: there is no plan {plan_ref}."))
        }
        Err(error) => return Err(error.into()),
    };
    let kept = if said.is_fault() { typed.get("ref").to_owned() } else { String::new() };
    page(&daemon, &device, Some(said), kept).await
}
