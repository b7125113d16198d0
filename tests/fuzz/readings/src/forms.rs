//! What is done with a form that files a plan: it becomes a plan or a list of faults, and the form
//! that is shown again holds nothing else.

use super::draft::Draft;
use crate::plan::{Faults, Plan};
use crate::web::typed::Typed;

/// The body of the filing form.
pub fn form(data: &[u8]) {
    let typed = Typed::of_bytes(data);
    assert!(typed.get("no such field").is_empty() || data.len() > 13);
    let draft = Draft::of(&typed);
    match draft.plan() {
        Err(faults) => assert!(!faults.list().is_empty()),
        Ok(plan) => {
            let document = serde_json::to_value(&plan).expect("a document");
            comes_back(plan, Draft::of_document(&document).plan());
        }
    }
}

/// The form holds minutes by the launch's clocks: seconds are lost, and an hour that comes twice is
/// asked for again. All else comes back.
fn comes_back(plan: Plan, again: Result<Plan, Faults>) {
    match again {
        Ok(again) => {
            let apart = (again.times.launch.at - plan.times.launch.at).num_seconds().abs();
            assert!(apart <= 3600, "{plan:?}");
            let mut same = Plan { times: plan.times.clone(), ..again };
            same.stated.clone_from(&plan.stated);
            assert!(same == plan);
        }
        Err(faults) => {
            let of_times = |key: &str| key.starts_with("times.") || key == "stated.taken_at";
            assert!(faults.list().iter().all(|fault| of_times(&fault.key)), "{faults}");
        }
    }
}
