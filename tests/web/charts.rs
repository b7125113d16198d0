//! The chart on the pages and in the letters.

use std::fs;
use std::path::Path;
use std::time::Duration;

use mail_parser::{MessageParser, MimeHeaders};

use super::house::{Lamp, Wish, plan, text};

/// Inside the page, and within what its Content-Security-Policy allows: no script, no style of its
/// own, nothing fetched.
#[tokio::test]
async fn the_pages_show_the_chart() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let crew = filed["links"]["crew"].as_str().unwrap().to_owned();
    for page in [crew, lamp.contact_page(plan_ref, 0)] {
        let mut shown = text(lamp.get(&page).send().await.unwrap()).await;
        // On a busy machine a page goes without, and it is drawn meanwhile.
        for _ in 0..30 {
            if shown.contains("<svg") {
                break;
            }
            shown = text(lamp.get(&page).send().await.unwrap()).await;
        }
        assert_eq!(shown.matches("<svg").count(), 1, "{shown}");
        let chart = shown.split("<svg").nth(1).unwrap().split("</svg>").next().unwrap();
        assert!(chart.contains("Not for navigation.</text>"), "{chart}");
        assert!(chart.contains("role=\"img\"") && chart.contains("<title"), "{chart}");
        for bad in ["style=", "<style", "<script", "href", "<image", "CANARY"] {
            assert!(!chart.contains(bad), "{bad} in {chart}");
        }
    }
}

/// An alert as a mail program takes it (the crate mail-parser): the picture belongs to the HTML,
/// and the text is whole without it. On a busy machine the first letters go without a chart; it is
/// drawn meanwhile, and a later one has it.
#[tokio::test]
async fn the_alerts_carry_the_chart() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    lamp.pass(7 * 60, plan_ref).await;
    let mut with_chart = None;
    for _ in 0..30 {
        tokio::time::sleep(Duration::from_secs(1)).await;
        with_chart = alerts(lamp.folder.path()).into_iter().find(|alert| alert.contains("cid:"));
        if with_chart.is_some() {
            break;
        }
        // The next repeat.
        lamp.pass(10, plan_ref).await;
    }
    let letter = with_chart.expect("an alert with a chart");
    let read = MessageParser::default().parse(letter.as_bytes()).unwrap();
    let picture = read.parts.iter().find(|part| part.content_id().is_some()).unwrap();
    assert!(picture.contents().starts_with(b"\x89PNG\r\n\x1a\n"));
    assert!(picture.contents().len() <= shorelamp::chart::MOST_BYTES);
    let html = read.body_html(0).unwrap();
    assert!(html.contains(&format!("cid:{}", picture.content_id().unwrap())), "{html}");
    assert!(read.body_text(0).unwrap().contains("has called nobody"));
}

/// The alerts in the folder of letters.
fn alerts(folder: &Path) -> Vec<String> {
    let files = fs::read_dir(folder.join("outgoing")).into_iter().flatten().flatten();
    let letters = files.filter_map(|file| fs::read_to_string(file.path()).ok());
    let is_alert = |letter: &String| {
        ["overdue", "call-rescue"]
            .iter()
            .any(|kind| letter.contains(&format!("Shorelamp-Kind: {kind}")))
    };
    letters.filter(is_alert).collect()
}
