//! What a browser does with a page: reads its forms and sends them. Reads our own HTML, in which
//! every attribute stands in double quotes.

use std::collections::BTreeMap;

/// A form as a browser would send it untouched.
#[derive(Clone, Debug)]
pub struct Form {
    pub action: String,
    pub fields: BTreeMap<String, String>,
    /// Its buttons that have a name.
    pub buttons: Vec<(String, String)>,
}

impl Form {
    /// The same with these fields typed in.
    pub fn typed(&self, fields: &[(&str, &str)]) -> Form {
        let mut form = self.clone();
        for (name, value) in fields {
            form.fields.insert((*name).to_owned(), (*value).to_owned());
        }
        form
    }
}

/// Every form of a page.
pub fn forms(page: &str) -> Vec<Form> {
    page.split("<form").skip(1).map(|rest| form(rest.split("</form>").next().unwrap())).collect()
}

/// The form of a page whose hidden `act` is this.
pub fn form_of(page: &str, act: &str) -> Form {
    let found =
        forms(page).into_iter().find(|form| form.fields.get("act").is_some_and(|a| a == act));
    found.unwrap_or_else(|| panic!("no form to {act} in {page}"))
}

/// Every address that a page links to.
pub fn links(page: &str) -> Vec<String> {
    let found = page.split("href=\"").skip(1).map(|rest| rest.split('"').next().unwrap());
    found.map(unescaped).collect()
}

fn form(text: &str) -> Form {
    let mut form = Form {
        action: attribute(text, "action").unwrap(),
        fields: BTreeMap::new(),
        buttons: Vec::new(),
    };
    for tag in text.split('<').skip(1) {
        let name = attribute(tag, "name");
        let value = attribute(tag, "value").unwrap_or_default();
        let (Some(name), kind) = (name, attribute(tag, "type").unwrap_or_default()) else {
            continue;
        };
        let unticked =
            matches!(kind.as_str(), "checkbox" | "radio") && !head(tag).contains(" checked");
        if tag.starts_with("button") {
            form.buttons.push((name, value));
        } else if tag.starts_with("textarea") {
            form.fields.insert(name, unescaped(tag.split_once('>').unwrap().1));
        } else if !unticked {
            form.fields.insert(name, value);
        }
    }
    form
}

fn head(tag: &str) -> &str {
    tag.split('>').next().unwrap()
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let (_, rest) = head(tag).split_once(&format!(" {name}=\""))?;
    Some(unescaped(rest.split('"').next().unwrap()))
}

pub fn unescaped(text: &str) -> String {
    text.replace("&#34;", "\"")
        .replace("&#39;", "'")
        .replace("&#60;", "<")
        .replace("&#62;", ">")
        .replace("&#38;", "&")
}
