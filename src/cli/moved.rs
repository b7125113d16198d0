//! What checking in, extending and calling off have in common.

use serde::Deserialize;
use serde_json::Value;

use super::client::{Client, Outcome};
use super::exit::{Done, Exit, Failure};
use super::print;
use crate::daemon::secrets::new_key;

/// Where a plan stands after it was moved.
#[derive(Deserialize)]
struct Moved {
    state: String,
    ashore: Vec<String>,
    out: Vec<String>,
    due_at: String,
    overdue_at: String,
    #[serde(default)]
    worse: Vec<Value>,
}

/// Moves a plan, and prints where it stands then.
pub(super) async fn act(client: &Client, plan_ref: &str, what: &str, body: &Value) -> Done {
    let path = format!("/api/v1/plans/{plan_ref}/{what}");
    let answer = once(client, &path, body).await?;
    let moved: Moved = serde_json::from_value(answer).map_err(|error| {
        Failure::new(Exit::Software, format!("done, but the answer can't be read: {error}"))
    })?;
    print::say(print::plain(&moved.told(plan_ref)))
}

/// Extending twice would put off the alarm twice: so the request goes with a key of its own, and
/// where no answer comes, once more with the same.
pub(super) async fn once(client: &Client, path: &str, body: &Value) -> Done<Value> {
    let once = new_key().map_err(|error| Failure::new(Exit::Unavailable, error))?;
    match client.post_once(path, body, &once).await {
        Outcome::Unclear(_) => client.settle(client.post_once(path, body, &once).await),
        outcome => client.settle(outcome),
    }
}

impl Moved {
    fn told(&self, plan_ref: &str) -> String {
        let mut lines = Vec::new();
        if !self.ashore.is_empty() && self.state != "closed" {
            lines.push(format!("Ashore: {}", self.ashore.join(", ")));
        }
        lines.push(match self.state.as_str() {
            "closed" => format!("Plan {plan_ref} is closed: nobody is watched for any more."),
            state => format!(
                "Plan {plan_ref} is {state}. Still out: {}. Back by {}; overdue from {}.",
                self.out.join(", "),
                print::moment(&self.due_at),
                print::moment(&self.overdue_at)
            ),
        });
        lines.extend(worse_told(&self.worse));
        lines.join("\n")
    }
}

/// The cautions that are new or graver than before, the worst first.
pub(super) fn worse_told(worse: &[Value]) -> Vec<String> {
    let told = worse.iter().map(|caution| {
        let word = |key: &str| caution[key].as_str().unwrap_or_default();
        let level = word("level").to_uppercase();
        format!("  {level} {}: {}", word("id"), word("text"))
    });
    let head = "This is done. By it, this got worse:".to_owned();
    if worse.is_empty() { Vec::new() } else { std::iter::once(head).chain(told).collect() }
}

/// A ref becomes a part of an address, so nothing but its own digits passes.
pub(super) fn plan_ref(text: &str) -> Result<String, &'static str> {
    let text = text.trim().to_ascii_uppercase();
    let well_formed = text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
    if (1..=40).contains(&text.len()) && well_formed {
        return Ok(text);
    }
    Err("is no plan's ref; it is printed when a plan is filed, like 7QK4-2M9X")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refs_are_taken_in_either_case_and_lead_nowhere_else() {
        assert_eq!(plan_ref(" 7qk4-2m9x ").as_deref(), Ok("7QK4-2M9X"));
        for text in ["", "../keys", "A B", "7QK4/2M9X", "7QK4?x"] {
            assert!(plan_ref(text).is_err(), "{text}");
        }
    }
}
