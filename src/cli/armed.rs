//! What is told of a plan that has just been armed.

use serde::Deserialize;
use serde_json::Value;

use super::print;
use crate::plan::Plan;

/// The answer to a filing.
#[derive(Deserialize)]
pub(super) struct Armed {
    #[serde(rename = "ref")]
    pub(super) plan_ref: String,
    pub(super) due_at: String,
    pub(super) overdue_at: String,
    pub(super) letters: Letters,
    pub(super) links: Links,
    pub(super) review: Value,
}

/// The links of the device that filed.
#[derive(Deserialize)]
pub(super) struct Links {
    pub(super) crew: String,
    checkin: String,
    extend: String,
    cancel: String,
    /// A service of an older version has none.
    #[serde(default)]
    amend: String,
}

/// The letters of a plan and their fate.
#[derive(Clone, Debug, Deserialize)]
#[serde(transparent)]
pub(super) struct Letters(Vec<Letter>);

/// One of them.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub(super) struct Letter {
    /// The reader's name.
    pub(super) to: String,
    pub(super) kind: String,
    pub(super) state: String,
}

impl Armed {
    /// What holds from now on, and the cautions.
    pub(super) fn told(&self) -> String {
        let mut told = format!(
            "FILED. Plan {} is armed.\n\n  back by   {}\n  overdue   {}; from then on your contacts \
             are alarmed\n",
            self.plan_ref,
            print::moment(&self.due_at),
            print::moment(&self.overdue_at)
        );
        for caution in self.review["cautions"].as_array().into_iter().flatten() {
            let word = |key: &str| caution[key].as_str().unwrap_or_default();
            let level = word("level").to_uppercase();
            told.push_str(&format!("\n  {level} {}: {}", word("id"), word("text")));
        }
        told.push_str("\n\nNo caution is no clearance, and this service may fail.");
        told
    }

    /// How to come back to the plan.
    pub(super) fn links_told(&self) -> String {
        let Links { crew, checkin, extend, cancel, amend } = &self.links;
        format!(
            "\nWhen you are ashore: shorelamp checkin {}\n\n  crew's page   {crew}\n\nFor a device \
             of yours alone, these need no key (POST):\n\n  checkin   {checkin}\n  extend    \
             {extend}\n  cancel    {cancel}\n  amend     {amend}",
            self.plan_ref
        )
    }
}

impl Letters {
    /// The letters in the document of a plan.
    pub(super) fn read(status: &Value) -> Option<Letters> {
        Letters::deserialize(&status["letters"]).ok()
    }

    /// All of them, in the order in which they were ordered.
    pub(super) fn list(&self) -> &[Letter] {
        &self.0
    }

    /// Whether nothing waits any more.
    pub(super) fn are_settled(&self) -> bool {
        self.0.iter().all(|letter| letter.state != "queued")
    }

    /// Whom the first letters have reached; loud where they have reached nobody ashore.
    pub(super) fn told(&self, plan: &Plan) -> String {
        let filed = || self.0.iter().filter(|letter| letter.kind == "filed");
        let is_contact = |name: &str| plan.contacts.iter().any(|contact| contact.name == name);
        let reached = filed().any(|letter| letter.state == "handed over" && is_contact(&letter.to));
        let head = match reached {
            true => "Letters (handed over: mail has it; whether it was read nobody knows):",
            false => {
                "ARMED, BUT NOBODY ASHORE HAS BEEN REACHED YET. What is queued is tried again and \
                 again; until a contact has a letter, tell them yourself:"
            }
        };
        let rows = filed().map(|letter| format!("\n  {:<12}  {}", letter.state, letter.to));
        format!("\n{head}\n{}", rows.collect::<String>())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::read_toml;
    use serde_json::json;

    /// Invented people.
    const PLAN: &str = r#"
        times = { launch = "2027-05-15T06:15", return_by = "2027-05-15T12:00" }
        launch = { position = "48.5608 -123.1755" }
        crew = [{ name = "Maren Tollefsby" }]
        contact = [{ name = "Philippa Ashgrove", email = "philippa@example.org" }]
    "#;

    fn letters(crew: &str, contact: &str) -> Letters {
        let letter = |to, state| json!({"to": to, "kind": "filed", "state": state});
        let letters = [letter("Maren Tollefsby", crew), letter("Philippa Ashgrove", contact)];
        Letters::read(&json!({"letters": letters})).unwrap()
    }

    #[test]
    fn that_nobody_ashore_is_reached_is_said_loudly() {
        let plan = read_toml(PLAN, &|_| Err(String::new())).unwrap();
        assert!(letters("handed over", "queued").told(&plan).contains("NOBODY ASHORE"));
        assert!(letters("handed over", "refused").told(&plan).contains("NOBODY ASHORE"));
        assert!(!letters("queued", "handed over").told(&plan).contains("NOBODY"));
        assert!(!letters("handed over", "queued").are_settled());
        assert!(letters("handed over", "refused").are_settled());
    }
}
