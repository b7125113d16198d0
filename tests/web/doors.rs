//! Keys' links, cookies, headers, and whose pages may change anything.

use reqwest::StatusCode;

use super::house::{Lamp, Wish, plan, text};

async fn cookie_of(lamp: &Lamp) -> String {
    let answer = lamp.get(&format!("/key/{}", lamp.key)).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    assert_eq!(answer.headers()["location"], "/");
    answer.headers()["set-cookie"].to_str().unwrap().to_owned()
}

#[tokio::test]
async fn a_keys_link_makes_a_device_hold_it() {
    let lamp = Lamp::lit().await;
    let cookie = cookie_of(&lamp).await;
    assert!(cookie.starts_with(&format!("shorelamp={};", lamp.key)), "plain on loopback");
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"));
    assert!(cookie.contains("Path=/;") && !cookie.contains("Secure"));
    let wrong = lamp.get("/key/wrong").send().await.unwrap();
    assert_eq!(wrong.status(), StatusCode::NOT_FOUND);
    assert!(!wrong.headers().contains_key("set-cookie"));
}

/// RFC 6265bis, section 4.1.3.2: a cookie named `__Host-` is Secure, has Path=/ and no Domain.
#[tokio::test]
async fn with_tls_the_cookie_is_bound_to_its_host() {
    let lamp =
        Lamp::with(Wish { base_url: Some("https://lamp.example.org"), ..Wish::default() }).await;
    let cookie = cookie_of(&lamp).await;
    assert!(cookie.starts_with("__Host-shorelamp="));
    assert!(
        cookie.contains("; Secure") && cookie.contains("Path=/;") && !cookie.contains("Domain")
    );
    let home = |name: &str| lamp.get("/").header("cookie", format!("{name}={}", lamp.key)).send();
    assert!(text(home("__Host-shorelamp").await.unwrap()).await.contains("File it"));
    assert!(!text(home("shorelamp").await.unwrap()).await.contains("File it"));
    let answer = lamp.get("/").send().await.unwrap();
    assert!(answer.headers().contains_key("strict-transport-security"));
}

#[tokio::test]
async fn every_answer_tells_browsers_to_keep_it_to_themselves() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let contact = lamp.contact_page(filed["ref"].as_str().unwrap(), 0);
    let crew = filed["links"]["crew"].as_str().unwrap();
    for path in ["/", "/nowhere", "/api/v1/plans", "/healthz", crew, &contact] {
        let answer = lamp.get(path).send().await.unwrap();
        let headers = answer.headers();
        let policy = headers["content-security-policy"].to_str().unwrap();
        assert!(policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"));
        assert!(!policy.contains("unsafe"));
        assert_eq!(headers["x-content-type-options"], "nosniff");
        assert_eq!(headers["referrer-policy"], "no-referrer");
        assert_eq!(headers["cache-control"], "no-store", "{path}");
        assert!(!headers.contains_key("strict-transport-security"), "plain http");
        let body = text(answer).await;
        assert!(
            !body.contains("<script>")
                && !body.contains(" style=")
                && !body.contains("javascript:")
        );
    }
    let style = style_of(&lamp).await;
    let types = [
        ("/", "text/html; charset=utf-8"),
        (contact.as_str(), "text/html; charset=utf-8"),
        ("/healthz", "application/json"),
        ("/api/v1/plans", "application/problem+json"),
        (style.as_str(), "text/css"),
    ];
    for (path, kind) in types {
        let answer = lamp.get(path).send().await.unwrap();
        assert_eq!(answer.headers()["content-type"], kind, "{path}");
        assert_eq!(answer.headers()["x-content-type-options"], "nosniff", "{path}");
    }
}

/// Whoever asks without a key learns whether an alert could go out, and of no trip.
#[tokio::test]
async fn what_is_public_names_no_plan() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    for minutes in [0, 3 * 24 * 60] {
        // Nothing runs, so that the second time the service is ill, with an alert that waits.
        lamp.move_clock(minutes);
        let told = text(lamp.get("/healthz").send().await.unwrap()).await;
        for word in [filed["ref"].as_str().unwrap(), "Halloran", "example.org", "Halibut", "48.5"] {
            assert!(!told.contains(word), "{word} in {told}");
        }
    }
    for path in ["/metrics", "/debug", "/api/v1/keys"] {
        assert_eq!(lamp.get(path).send().await.unwrap().status(), StatusCode::NOT_FOUND, "{path}");
    }
}

/// Where a page says that its style lies.
async fn style_of(lamp: &Lamp) -> String {
    let page = text(lamp.get("/").send().await.unwrap()).await;
    let (_, rest) = page.split_once("rel=\"stylesheet\" href=\"").unwrap();
    rest.split_once('"').unwrap().0.to_owned()
}

#[tokio::test]
async fn unknown_and_expired_links_say_the_same() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let contact = lamp.contact_page(plan_ref, 0);
    let crew = filed["links"]["crew"].as_str().unwrap();
    lamp.post(filed["links"]["cancel"].as_str().unwrap()).send().await.unwrap();
    assert_eq!(lamp.get(&contact).send().await.unwrap().status(), StatusCode::OK);
    lamp.move_clock(24 * 60 + 1);
    let mut pages = Vec::new();
    for path in [&contact, crew, "/contact/unknown", "/crew/unknown", "/key/unknown", "/nowhere"] {
        let answer = lamp.get(path).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::NOT_FOUND, "{path}");
        pages.push(text(answer).await);
    }
    assert!(pages.windows(2).all(|pair| pair[0] == pair[1]));
}

#[tokio::test]
async fn another_sites_page_changes_nothing() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let before = lamp.snapshot(plan_ref).await;
    let contact = lamp.contact_page(plan_ref, 0);
    let fields = [("act", "have-it"), ("once", "x"), ("name", "Dunstan Okafor")];
    for (name, value) in [
        ("origin", "https://evil.example.org"),
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-site", "same-site"),
    ] {
        let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).header(name, value);
        assert_eq!(checkin.send().await.unwrap().status(), StatusCode::FORBIDDEN);
        let answer = lamp.post(&contact).header(name, value).form(&fields);
        assert_eq!(answer.send().await.unwrap().status(), StatusCode::FORBIDDEN);
        let plans = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).header(name, value);
        assert_eq!(plans.json(&plan()).send().await.unwrap().status(), StatusCode::FORBIDDEN);
    }
    assert_eq!(lamp.snapshot(plan_ref).await, before);
    assert_eq!(lamp.daemon.board().await.unwrap().len(), 1);
    let own = lamp.post(&contact).header("origin", &lamp.base).form(&fields);
    assert_eq!(own.send().await.unwrap().status(), StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn a_body_that_never_ends_is_given_up() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let lamp = Lamp::lit().await;
    let address = lamp.base.strip_prefix("http://").unwrap();
    let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
    let head = "POST /api/v1/plans HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n\
                Content-Length: 100\r\n\r\n{";
    stream.write_all(head.as_bytes()).await.unwrap();
    let mut answer = vec![0; 12];
    let wait = std::time::Duration::from_secs(40);
    tokio::time::timeout(wait, stream.read_exact(&mut answer)).await.unwrap().unwrap();
    assert_eq!(answer, b"HTTP/1.1 408");
}

/// A telephone that is pocketed after the touch: what has arrived whole is done.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_that_arrived_is_heard_though_its_sender_hangs_up() {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let lamp = Lamp::lit().await;
    let address = lamp.base.strip_prefix("http://").unwrap();
    for ends in ["gone", "listens", "gone", "gone", "gone", "gone"] {
        let filed = lamp.file(&plan()).await;
        let (plan_ref, links) = (filed["ref"].as_str().unwrap(), &filed["links"]);
        let (_, path) = links["checkin"].as_str().unwrap().split_at(lamp.base.len());
        let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
        let said = format!(
            "POST {path} HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n\
             Content-Length: 2\r\n\r\n{{}}"
        );
        stream.write_all(said.as_bytes()).await.unwrap();
        if ends == "listens" {
            // It says that it will say no more.
            stream.shutdown().await.unwrap();
            let mut answer = vec![0; 12];
            stream.read_exact(&mut answer).await.unwrap();
            assert_eq!(answer, b"HTTP/1.1 200");
        }
        drop(stream);
        let is_heard = async || {
            let status = lamp.daemon.status(plan_ref).await.unwrap();
            status.state.closing().is_some()
        };
        for _ in 0..200 {
            if is_heard().await {
                break;
            }
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        }
        assert!(is_heard().await, "{ends}");
    }
}
