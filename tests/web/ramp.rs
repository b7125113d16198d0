//! The ramp page: judging and filing from a form.

use reqwest::{Response, StatusCode};

use super::browser::{Form, forms};
use super::house::{Lamp, text};

const TYPED: [(&str, &str); 9] = [
    ("times.launch.date", "2026-06-14"),
    ("times.launch.time", "06:30"),
    ("times.return_by.date", "2026-06-14"),
    ("times.return_by.time", "12:30"),
    ("launch.position", "48.5420 -123.1620"),
    ("crew[1].name", "Ines <b>Halloran</b>"),
    ("contact[1].name", "Dunstan Okafor"),
    ("contact[1].email", "dunstan@example.org"),
    ("more_waypoints", "Kelp edge; 48.5500 -123.2000; 2h"),
];

async fn home(lamp: &Lamp) -> String {
    let cookie = format!("shorelamp={}", lamp.key);
    text(lamp.get("/").header("cookie", cookie).send().await.unwrap()).await
}

async fn send(lamp: &Lamp, form: &Form, button: &str) -> Response {
    let form = form.typed(&[("do", button)]);
    let cookie = format!("shorelamp={}", lamp.key);
    lamp.post(&form.action).header("cookie", cookie).form(&form.fields).send().await.unwrap()
}

async fn form(lamp: &Lamp) -> Form {
    forms(&home(lamp).await).remove(0)
}

#[tokio::test]
async fn without_a_key_the_page_says_how_to_get_one() {
    let lamp = Lamp::lit().await;
    let page = text(lamp.get("/").send().await.unwrap()).await;
    assert!(page.contains("How to get a key"));
    let [form] = &forms(&page)[..] else { panic!("one form, for a key: {page}") };
    assert_eq!((form.action.as_str(), form.fields["key"].as_str()), ("/key", ""));
}

#[tokio::test]
async fn a_key_may_be_typed_and_its_link_pasted() {
    let lamp = Lamp::lit().await;
    let typed = async |key: &str| lamp.post("/key").form(&[("key", key)]).send().await.unwrap();
    for key in [lamp.key.clone(), format!(" {}/key/{} ", lamp.base, lamp.key)] {
        let held = typed(&key).await;
        assert_eq!(held.status(), StatusCode::SEE_OTHER);
        assert!(held.headers()["set-cookie"].to_str().unwrap().contains(&lamp.key));
    }
    for wrong in ["", "wrong", "https://example.org/key/"] {
        let refused = typed(wrong).await;
        assert_eq!(refused.status(), StatusCode::NOT_FOUND);
        assert!(!refused.headers().contains_key("set-cookie"));
    }
}

#[tokio::test]
async fn a_form_is_served_for_today_with_the_state_first() {
    let lamp = Lamp::lit().await;
    let page = home(&lamp).await;
    assert!(page.contains("<h1>NOT FILED</h1>"));
    let form = forms(&page).remove(0);
    assert_eq!(form.fields["times.launch.date"], "2026-06-14");
    assert_eq!(form.buttons[0].1, "judge", "the Enter key presses the first button");
}

#[tokio::test]
async fn judging_files_nothing_and_keeps_what_was_typed() {
    let lamp = Lamp::lit().await;
    let answer = send(&lamp, &form(&lamp).await.typed(&TYPED), "judge").await;
    assert_eq!(answer.status(), StatusCode::OK);
    let page = text(answer).await;
    assert!(page.contains("NOT FILED. This is only what we think of it"));
    assert!(
        page.contains("Back by Sun 14 Jun, 12:30 (12:30 pm PDT), in 6 h 29 min.")
            || page.contains("in 6 h 30 min.")
    );
    let at = |level: &str| page.find(&format!("{level}:</span>")).unwrap_or(usize::MAX);
    assert!(at("DANGER") < at("WARNING") && at("WARNING") < at("CAUTION"), "the worst first");
    let again = forms(&page).remove(0);
    assert_eq!(again.fields["more_waypoints"], "Kelp edge; 48.5500 -123.2000; 2h");
    assert!(lamp.daemon.board().await.unwrap().is_empty());
    assert_eq!(send(&lamp, &again, "file").await.status(), StatusCode::SEE_OTHER);
    assert_eq!(lamp.daemon.board().await.unwrap().len(), 1);
}

#[tokio::test]
async fn every_fault_stands_beside_its_field_and_nothing_typed_is_lost() {
    let lamp = Lamp::lit().await;
    let wrong = [
        ("launch.position", "here"),
        ("crew[1].name", ""),
        ("crew[3].name", "Tomas Bright"),
        ("crew[3].age", "old"),
        ("contact[1].email", "dunstan@"),
        ("more_waypoints", "48.55 -123.20\nnowhere"),
        ("stated.taken_at.date", "2026-06-14"),
    ];
    let answer = send(&lamp, &form(&lamp).await.typed(&TYPED).typed(&wrong), "file").await;
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let page = text(answer).await;
    assert!(page.contains("NOT FILED. 5 things to mend"), "{page}");
    for id in
        ["launch-position", "crew-1--age", "contact-1--email", "more-waypoints", "stated-taken-at"]
    {
        assert!(page.contains(&format!("href=\"#{id}\"")), "no link to {id}");
        assert!(page.contains(&format!("id=\"{id}\"")), "no field {id}");
    }
    let again = forms(&page).remove(0);
    assert_eq!(again.fields["launch.position"], "here");
    assert_eq!(again.fields["crew[1].name"], "Tomas Bright", "blank rows are closed up");
    assert_eq!(again.fields["stated.taken_at.date"], "2026-06-14");
    assert!(lamp.daemon.board().await.unwrap().is_empty());
}

#[tokio::test]
async fn a_double_tap_files_once_and_the_page_says_who_has_been_reached() {
    let lamp = Lamp::lit().await;
    let form = form(&lamp).await.typed(&TYPED);
    let first = send(&lamp, &form, "file").await;
    let again = send(&lamp, &form, "file").await;
    assert_eq!(first.headers()["location"], again.headers()["location"]);
    assert_eq!(lamp.daemon.board().await.unwrap().len(), 1);
    let place = first.headers()["location"].to_str().unwrap().to_owned();
    let cookie = format!("shorelamp={}", lamp.key);
    let filed = text(lamp.get(&place).header("cookie", cookie).send().await.unwrap()).await;
    assert!(filed.contains("Back by Sun 14 Jun, 12:30 (12:30 pm PDT)"));
    assert!(filed.contains("ARMED, BUT NOBODY HAS BEEN REACHED YET"));
    assert!(filed.contains("letter queued") && filed.contains("/crew/"));
    assert!(filed.contains("DANGER"), "the cautions");
    assert!(!filed.contains("<b>Halloran"), "what was typed is escaped");
    assert!(home(&lamp).await.contains(&place), "the ramp page leads back to it");
    assert_eq!(lamp.get(&place).send().await.unwrap().status(), StatusCode::NOT_FOUND, "no cookie");

    let other = send(&lamp, &form.typed(&[("title", "Another")]), "file").await;
    assert_eq!(other.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let page = text(other).await;
    assert!(page.contains("has filed a plan already"));
    assert_eq!(send(&lamp, &forms(&page)[0], "file").await.status(), StatusCode::SEE_OTHER);
    assert_eq!(lamp.daemon.board().await.unwrap().len(), 2);
}

#[tokio::test]
async fn a_form_of_another_device_files_nothing() {
    let lamp = Lamp::lit().await;
    let form = form(&lamp).await.typed(&TYPED);
    for wrong in [("token", ""), ("token", "AAAA"), ("once", "other")] {
        let answer = send(&lamp, &form.typed(&[wrong]), "file").await;
        assert_eq!(answer.status(), StatusCode::FORBIDDEN);
    }
    let no_key = form.typed(&[("do", "file")]);
    let answer = lamp.post("/file").form(&no_key.fields).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::FORBIDDEN);
    assert!(lamp.daemon.board().await.unwrap().is_empty());
}

#[tokio::test]
async fn a_return_that_has_passed_is_judged_but_not_filed() {
    let lamp = Lamp::lit().await;
    let past = [("times.launch.time", "04:00"), ("times.return_by.time", "05:00")];
    let form = form(&lamp).await.typed(&TYPED).typed(&past);
    let judged = text(send(&lamp, &form, "judge").await).await;
    assert!(judged.contains("passed already") && judged.contains("DANGER"));
    let answer = send(&lamp, &form, "file").await;
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(lamp.daemon.board().await.unwrap().is_empty());
}
