//! Answers as a contact does: opens the page behind the link, and fills in its form.

use reqwest::header::CONTENT_TYPE;
use reqwest::{Client as Http, StatusCode, Url};

use super::super::client;
use super::super::exit::{Done, Exit, Failure};

/// A contact's page, opened.
pub(super) struct Page {
    http: Http,
    url: Url,
    text: String,
}

impl Page {
    /// Opens it.
    pub(super) async fn open(url: &str) -> Done<Self> {
        let http = client::http(url)?;
        let failed = |why: String| odd(&format!("can't be opened: {why}"));
        let url = Url::parse(url).map_err(|error| failed(error.to_string()))?;
        let answer = http.get(url.clone()).send().await;
        let answer = answer.map_err(|error| failed(client::innermost(&error)))?;
        if answer.status() != StatusCode::OK {
            return Err(failed(answer.status().to_string()));
        }
        let text = answer.text().await.map_err(|error| failed(client::innermost(&error)))?;
        Ok(Page { http, url, text })
    }

    /// Its title.
    pub(super) fn title(&self) -> &str {
        between(&self.text, "<title>", "</title>").unwrap_or_default().trim()
    }

    /// Sends the form of one answer, with what a person types; the page goes back to itself.
    pub(super) async fn answer(&self, act: &str, typed: &[(&str, &str)]) -> Done {
        if !self.text.contains(&format!("name=\"act\" value=\"{act}\"")) {
            return Err(odd(&format!("has no form for `{act}`")));
        }
        let once = between(&self.text, "name=\"once\" value=\"", "\"");
        let once = once.ok_or_else(|| odd("has a form that could be sent twice"))?;
        let mut form = self.url.clone();
        form.query_pairs_mut()
            .extend_pairs([("act", act), ("once", once)])
            .extend_pairs(typed.iter().copied());
        let body = form.query().unwrap_or_default().to_owned();
        let request = self
            .http
            .post(self.url.clone())
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(body);
        match request.send().await {
            Ok(answer) if answer.status() == StatusCode::SEE_OTHER => Ok(()),
            Ok(answer) => Err(odd(&format!("did not take `{act}`: {}", answer.status()))),
            Err(error) => Err(odd(&format!("did not answer: {}", client::innermost(&error)))),
        }
    }
}

fn between<'a>(text: &'a str, start: &str, end: &str) -> Option<&'a str> {
    let (_, rest) = text.split_once(start)?;
    rest.split_once(end).map(|(between, _)| between)
}

fn odd(why: &str) -> Failure {
    Failure::new(Exit::Software, format!("the contact's page {why}"))
}
