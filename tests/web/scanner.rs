//! A hostile mail scanner: it opens every link that it finds and sends every form as it stands,
//! with every button, by every method.

use std::collections::BTreeSet;

use reqwest::Method;

use super::browser::{forms, links};
use super::house::{Lamp, plan, text};

/// Follows everything from these pages on.
async fn scan(lamp: &Lamp, start: Vec<String>) -> usize {
    let mut seen = BTreeSet::new();
    let mut next = start;
    let mut sent = 0;
    while let Some(place) = next.pop() {
        let place = lamp.url(&place);
        if !place.starts_with(&lamp.base) || !seen.insert(place.clone()) {
            continue;
        }
        for method in [Method::HEAD, Method::OPTIONS, Method::DELETE] {
            lamp.client.request(method, &place).send().await.unwrap();
        }
        let page = text(lamp.get(&place).send().await.unwrap()).await;
        next.extend(links(&page).into_iter().filter(|link| !link.starts_with("tel:")));
        for form in forms(&page) {
            let mut tries = vec![form.clone()];
            tries.extend(form.buttons.iter().map(|(name, value)| form.typed(&[(name, value)])));
            for form in tries {
                let answer = lamp.post(&form.action).form(&form.fields).send().await.unwrap();
                assert!(answer.status().is_client_error(), "{} {:?}", answer.status(), form);
                sent += 1;
            }
        }
        lamp.post(&place).send().await.unwrap();
    }
    sent
}

#[tokio::test]
async fn a_scanner_changes_nothing_at_any_stage() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    // The links that stand in letters; those of the filing device stand in none.
    let mut start: Vec<String> = (0..2).map(|at| lamp.contact_page(plan_ref, at)).collect();
    start.extend((0..2).map(|at| lamp.daemon.confirm_page(plan_ref, at)));
    start.push(filed["links"]["crew"].as_str().unwrap().to_owned());

    let mut sent = 0;
    for minutes in [0, 6 * 60 + 31, 15, 45] {
        lamp.pass(minutes, plan_ref).await;
        let before = lamp.snapshot(plan_ref).await;
        sent += scan(&lamp, start.clone()).await;
        assert_eq!(lamp.snapshot(plan_ref).await, before, "after {minutes} more minutes");
    }
    lamp.post(filed["links"]["checkin"].as_str().unwrap()).send().await.unwrap();
    let before = lamp.snapshot(plan_ref).await;
    sent += scan(&lamp, start).await;
    assert_eq!(lamp.snapshot(plan_ref).await, before, "after the closing");
    assert!(sent >= 30, "it found {sent} forms");
}

#[tokio::test]
async fn opening_the_filing_devices_own_links_changes_nothing_either() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let before = lamp.snapshot(plan_ref).await;
    for link in ["checkin", "extend", "cancel"] {
        for method in [Method::GET, Method::HEAD, Method::OPTIONS] {
            let link = filed["links"][link].as_str().unwrap();
            let answer = lamp.client.request(method, link).send().await.unwrap();
            assert_eq!(answer.status(), 405);
        }
    }
    assert_eq!(lamp.snapshot(plan_ref).await, before);
}
