//! The page for a rescue service: to read, by a link of its own, once the crew is overdue.

use reqwest::{Method, StatusCode};
use shorelamp::watch::Recipient;

use super::house::{Lamp, plan, text};

const OVERDUE_IN: i64 = 6 * 60 + 46;

async fn overdue(lamp: &Lamp) -> (String, String) {
    let plan_ref = lamp.file(&plan()).await["ref"].as_str().unwrap().to_owned();
    lamp.pass(OVERDUE_IN, &plan_ref).await;
    let page = lamp.daemon.rescue_page_of(&plan_ref, Recipient::Contact(0)).unwrap();
    (plan_ref, page)
}

async fn read(lamp: &Lamp, page: &str) -> (StatusCode, String) {
    let answer = lamp.get(page).send().await.unwrap();
    (answer.status(), text(answer).await)
}

#[tokio::test]
async fn all_of_the_plan_stands_on_one_page_and_nothing_can_be_changed_there() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page) = overdue(&lamp).await;
    let answer = lamp.get(&page).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
    assert_eq!(answer.headers()["cache-control"], "no-store");
    let shown = text(answer).await;
    for words in [
        "<h1>OVERDUE: 2 people</h1>",
        "CANARY",
        "Ines Halloran",
        "Where the plan has them, hour by hour",
        "Where wind may have carried a craft (an indication)",
        "Water, weather and light now",
        "Nobody has told this service of a call",
        "Not told in this plan",
    ] {
        assert!(shown.contains(words), "{words:?} not in {shown}");
    }
    assert!(!shown.contains("<form") && !shown.contains("<script"));
    assert!(!shown.to_lowercase().contains("safe"), "nobody knows that");
    assert!(shown.contains("<bdi>Mirela</bdi> (ashore)"), "contacts by their first names: {shown}");

    let before = lamp.snapshot(&plan_ref).await;
    for method in [Method::POST, Method::PUT, Method::PATCH, Method::DELETE] {
        let answer = lamp.client.request(method.clone(), &page).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED, "{method}");
    }
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

#[tokio::test]
async fn the_route_is_there_as_files() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page) = overdue(&lamp).await;
    for (file, kind, begins) in [
        ("route.gpx", "application/gpx+xml", "<?xml"),
        ("route.geojson", "application/geo+json", "{\"type\":\"FeatureCollection\""),
    ] {
        let answer = lamp.get(&format!("{page}/{file}")).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK, "{file}");
        assert_eq!(answer.headers()["content-type"], kind);
        assert_eq!(answer.headers()["cache-control"], "no-store");
        let named = answer.headers()["content-disposition"].to_str().unwrap().to_owned();
        assert!(named.starts_with(&format!("attachment; filename=\"float-plan-{plan_ref}.")));
        let text = text(answer).await;
        assert!(text.starts_with(begins) && !text.contains("CANARY"), "{text}");
    }
    let answer = lamp.get(&format!("{page}/chart.png")).send().await.unwrap();
    let png = answer.bytes().await.unwrap();
    assert!(png.starts_with(b"\x89PNG"), "the route is drawn without a shore too");
}

#[tokio::test]
async fn forged_foreign_and_old_links_are_refused_alike() {
    let lamp = Lamp::lit().await;
    let other_ref = lamp.file(&plan()).await["ref"].as_str().unwrap().to_owned();
    let other = lamp.daemon.rescue_page_of(&other_ref, Recipient::Contact(0)).unwrap();
    let (plan_ref, page) = overdue(&lamp).await;
    let token = |page: &str| page.rsplit('/').next().unwrap().to_owned();
    let gone = read(&lamp, &format!("/rescue/{plan_ref}/{}", "A".repeat(27))).await;
    assert_eq!(gone.0, StatusCode::NOT_FOUND);
    let contact = token(&lamp.contact_page(&plan_ref, 0));
    for wrong in [
        format!("/rescue/{plan_ref}/{}", token(&other)),
        format!("/rescue/{other_ref}/{}", token(&page)),
        format!("/rescue/{plan_ref}/{contact}"),
        format!("/rescue/{plan_ref}/{}x", token(&page)),
        format!("/rescue/{plan_ref}/{}", &token(&page)[..26]),
        format!("/rescue/NONE-SUCH/{}", token(&page)),
        format!("/rescue/{plan_ref}/{}/route.gpx", token(&other)),
        format!("/rescue/{plan_ref}/{}/chart.png", token(&other)),
        format!("/contact/{}", token(&page)),
    ] {
        assert_eq!(read(&lamp, &wrong).await, gone, "{wrong}");
    }
}

#[tokio::test]
async fn it_hides_health_again_after_an_answer_and_goes_a_day_after_the_closing() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let page = lamp.daemon.rescue_page_of(plan_ref, Recipient::Contact(1)).unwrap();
    assert!(!read(&lamp, &page).await.1.contains("CANARY"), "not overdue");
    lamp.pass(OVERDUE_IN, plan_ref).await;
    assert!(read(&lamp, &page).await.1.contains("CANARY"));
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap());
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    let (status, over) = read(&lamp, &page).await;
    assert_eq!(status, StatusCode::OK);
    assert!(over.contains("<h1>The watch is over</h1>") && !over.contains("CANARY"));
    lamp.move_clock(24 * 60 + 1);
    assert_eq!(read(&lamp, &page).await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn readers_who_are_no_contacts_have_none() {
    let lamp = Lamp::lit().await;
    let (plan_ref, _) = overdue(&lamp).await;
    for reader in [Recipient::Keeper, Recipient::Crew(0)] {
        assert_eq!(lamp.daemon.rescue_page_of(&plan_ref, reader), None);
    }
}

/// What contacts know of each other: first names and answers. The one who calls for rescue, and who is
/// called back, needs the telephones too; addresses of mail nobody does.
#[tokio::test]
async fn contacts_telephones_stand_there_while_overdue_alone_and_their_addresses_never() {
    let lamp = Lamp::lit().await;
    let mut plan = plan();
    plan["contact"][0]["phone"] = serde_json::json!("+1 360 555 0155");
    plan["contact"][1]["phone"] = serde_json::json!("+1 360 555 0177");
    let filed = lamp.file(&plan).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let rescue = lamp.daemon.rescue_page_of(plan_ref, Recipient::Contact(0)).unwrap();
    let pages = [rescue.clone(), lamp.contact_page(plan_ref, 0)];
    let extend = filed["links"]["extend"].as_str().unwrap();
    let check = async |when: &str, overdue: bool| {
        let mut all = String::new();
        for page in &pages {
            all += &read(&lamp, page).await.1;
            for file in ["route.gpx", "route.geojson"] {
                all += &read(&lamp, &format!("{rescue}/{file}")).await.1;
            }
        }
        let digits = all.replace(|c: char| !c.is_ascii_digit(), "");
        assert!(!all.contains("@example.org"), "{when}");
        assert!(!all.contains("Sandoval"), "{when}");
        assert_eq!(digits.contains("3605550177"), overdue, "{when}");
        assert_eq!(digits.contains("3605550155"), overdue, "{when}");
    };
    check("armed", false).await;
    lamp.pass(OVERDUE_IN, plan_ref).await;
    check("overdue", true).await;
    let later = lamp.post(extend).json(&serde_json::json!({"by": "2h"})).send().await.unwrap();
    assert_eq!(later.status(), StatusCode::OK);
    check("put off", false).await;
    lamp.pass(180, plan_ref).await;
    check("overdue again", true).await;
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).send().await.unwrap();
    assert_eq!(checkin.status(), StatusCode::OK);
    check("over", false).await;
}

/// Whoever holds a link that has expired must not learn by it what became of the plan.
#[tokio::test]
async fn a_plan_that_was_forgotten_is_as_one_that_never_was() {
    let lamp = Lamp::lit().await;
    let of = |plan_ref: &str| lamp.daemon.rescue_page_of(plan_ref, Recipient::Contact(0)).unwrap();
    let unknown = read(&lamp, &format!("{}/rescue/2222-2222/AAAA", lamp.base)).await;
    assert_eq!(read(&lamp, &of("2222-2222")).await, unknown);
}
