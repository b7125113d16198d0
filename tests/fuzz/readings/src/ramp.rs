//! The form that files a plan.

#[path = "../../../../src/web/ramp/draft.rs"]
pub mod draft;
#[path = "../../../../src/web/ramp/fields.rs"]
pub mod fields;

#[path = "forms.rs"]
pub mod forms;
