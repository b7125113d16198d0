//! What the form of a change hides from whoever has a link alone.

use reqwest::StatusCode;
use serde_json::{Value, json};

use super::browser::{Form, form_of};
use super::house::{Lamp, plan, text};

async fn sent(lamp: &Lamp, form: &Form, button: &str) -> (StatusCode, String) {
    let form = form.typed(&[("do", button)]);
    let answer = lamp.post(&form.action).form(&form.fields).send().await.unwrap();
    (answer.status(), text(answer).await)
}

/// Notes on health, and how contacts are reached: how long they are, and whether there are any.
#[tokio::test]
async fn the_room_that_is_left_tells_nothing_of_what_the_form_hides() {
    let lamp = Lamp::lit().await;
    let mut told = Vec::new();
    for notes in [None, Some("Asthma".to_owned()), Some("of her heart, ".repeat(280))] {
        let mut hiding = plan();
        hiding["crew"][0]["medical"] = json!(notes);
        hiding["contact"][0]["phone"] = json!(notes.as_ref().map(|_| "+1 360 555 0143"));
        let hiding = without_null(hiding);
        let page =
            format!("{}/change", lamp.file(&hiding).await["links"]["crew"].as_str().unwrap());
        let open = form_of(&text(lamp.get(&page).send().await.unwrap()).await, "change");
        let open = open.typed(&[("name", "Tomas")]);
        let filled = |bytes: usize| {
            (0..16).fold(open.clone(), |form, at| {
                let (row, said) = (at + 3, bytes.saturating_sub(at * 4000).min(4000));
                let name = format!("crew[{row}].name");
                let form = form.typed(&[(name.as_str(), format!("Pia {row}").as_str())]);
                let experience = format!("crew[{row}].experience");
                form.typed(&[(experience.as_str(), "a".repeat(said).as_str())])
            })
        };
        let long = open.typed(&[("crew[2].medical", "b".repeat(1001).as_str())]);
        assert!(
            sent(&lamp, &long, "change").await.1.contains("some 1000 letters"),
            "its own bound"
        );
        let mut most = open.clone();
        for bytes in (52_000..=64_000).step_by(1500) {
            let form = filled(bytes);
            let shown = sent(&lamp, &form, "judge").await.1;
            let kilobytes = shown.split_once(" kB of words").map(|it| it.0.rsplit(' ').next());
            told.push((bytes, kilobytes.flatten().map(str::to_owned)));
            if kilobytes.is_none() {
                most = form;
            }
        }
        assert_eq!(sent(&lamp, &most, "change").await.0, StatusCode::SEE_OTHER, "as it was judged");
    }
    let one = told.len() / 3;
    assert!(told[0].1.is_none() && told[one - 1].1.is_some(), "{told:?}");
    assert_eq!(told[..one], told[one..2 * one]);
    assert_eq!(told[..one], told[2 * one..]);
}

fn without_null(mut plan: Value) -> Value {
    for table in ["crew", "contact"] {
        for one in plan[table].as_array_mut().unwrap() {
            one.as_object_mut().unwrap().retain(|_, value| !value.is_null());
        }
    }
    plan
}
