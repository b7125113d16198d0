//! What pages load besides themselves: style, scripts, icon. Each is packed once, and has the hash
//! of what it holds in its name, so that a phone that has it never asks again.

use std::io::Write;
use std::sync::LazyLock;

use axum::Router;
use axum::body::Bytes;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use super::guard;
use crate::daemon::Daemon;
use crate::daemon::secrets::token_hash;

/// The strongest that each knows.
const BROTLI_QUALITY: i32 = 11;
const GZIP_LEVEL: u32 = 9;
/// Big enough for any of them.
const BROTLI_WINDOW: i32 = 22;

const FOREVER: &str = "max-age=31536000, immutable";
/// The worker and the manifest keep their names: a phone asks each time whether they are new.
const ASK_AGAIN: &str = "no-cache";

const WORKER_PATH: &str = "/sw.js";
const APP_PATH: &str = "/app.webmanifest";

/// Without a charset each is read as the page is that asks for it: as UTF-8.
const JS: &str = "text/javascript";
const CSS: &str = "text/css";
const SVG: &str = "image/svg+xml";
const MANIFEST: &str = "application/manifest+json";

static ASSETS: LazyLock<Vec<Asset>> = LazyLock::new(|| {
    vec![
        Asset::new("style.css", CSS, code(include_str!("pages/packed/style.css"))),
        Asset::new("print.css", CSS, code(include_str!("pages/packed/print.css"))),
        Asset::new("ramp.js", JS, code(include_str!("script/packed/ramp.js"))),
        Asset::new("route.js", JS, code(include_str!("script/packed/route.js"))),
        Asset::new("crew.js", JS, code(include_str!("script/packed/crew.js"))),
        Asset::new("board.js", JS, code(include_str!("script/packed/board.js"))),
        Asset::new("phone.js", JS, code(include_str!("script/packed/phone.js"))),
        Asset::new("icon.svg", SVG, include_str!("pages/icon.svg").to_owned()),
    ]
});

static WORKER: LazyLock<Asset> = LazyLock::new(|| {
    let kept: Vec<&str> = ["style.css", "ramp.js", "route.js", "icon.svg"].map(path).to_vec();
    let names = serde_json::to_string(&kept).unwrap_or_default();
    let text = code(include_str!("script/packed/worker.js")).replace("KEPT_FILES", &names);
    Asset::new("sw.js", JS, text)
});

static APP: LazyLock<Asset> = LazyLock::new(|| {
    let text = include_str!("pages/app.webmanifest").replace("ICON", path("icon.svg"));
    Asset::new("app.webmanifest", MANIFEST, text)
});

/// A file, packed in each way.
struct Asset {
    name: &'static str,
    path: String,
    kind: &'static str,
    plain: Bytes,
    brotli: Option<Bytes>,
    gzip: Option<Bytes>,
}

impl Asset {
    fn new(name: &'static str, kind: &'static str, text: String) -> Self {
        let (stem, ending) = name.split_once('.').unwrap_or((name, ""));
        let path = format!("/a/{stem}.{}.{ending}", &token_hash(&text)[..10]);
        let (brotli, gzip) = (brotli(text.as_bytes()).ok(), gzip(text.as_bytes()).ok());
        Asset { name, path, kind, plain: text.into(), brotli, gzip }
    }

    fn answer(&self, asked: &HeaderMap, keep: &'static str) -> Response {
        let packed = [("br", &self.brotli), ("gzip", &self.gzip)];
        let packed = packed
            .into_iter()
            .filter(|(coding, _)| takes(asked, coding))
            .find_map(|(coding, bytes)| Some((coding, bytes.clone()?)));
        let headers = [
            (header::CONTENT_TYPE, self.kind),
            (header::CACHE_CONTROL, keep),
            (header::VARY, "accept-encoding"),
        ];
        match packed {
            Some((coding, bytes)) => {
                let coding = HeaderValue::from_static(coding);
                (headers, [(header::CONTENT_ENCODING, coding)], bytes).into_response()
            }
            None => (headers, self.plain.clone()).into_response(),
        }
    }
}

/// Where a page finds this file; empty for one that is not there.
pub(super) fn path(name: &str) -> &'static str {
    ASSETS.iter().find(|asset| asset.name == name).map_or("", |asset| asset.path.as_str())
}

/// Whether one of these is asked for.
pub(super) fn is_asset(path: &str) -> bool {
    path.starts_with("/a/") || [WORKER_PATH, APP_PATH].contains(&path)
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .route("/a/{name}", get(hashed))
        .route(WORKER_PATH, get(async |asked: HeaderMap| WORKER.answer(&asked, ASK_AGAIN)))
        .route(APP_PATH, get(async |asked: HeaderMap| APP.answer(&asked, ASK_AGAIN)))
}

async fn hashed(Path(name): Path<String>, asked: HeaderMap, uri: axum::http::Uri) -> Response {
    let path = format!("/a/{name}");
    match ASSETS.iter().find(|asset| asset.path == path) {
        Some(asset) => asset.answer(&asked, FOREVER),
        None => guard::nothing_here(uri).await,
    }
}

/// Whether a browser takes this coding (RFC 9110, 12.5.3), of which it says `q=0` if it does not.
fn takes(asked: &HeaderMap, coding: &str) -> bool {
    let lines = asked.get_all(header::ACCEPT_ENCODING).iter().filter_map(|line| line.to_str().ok());
    lines.flat_map(|line| line.split(',')).any(|one| {
        let (name, quality) = one.split_once(';').unwrap_or((one, ""));
        let none = matches!(quality.trim(), "q=0" | "q=0.0" | "q=0.00" | "q=0.000");
        name.trim().eq_ignore_ascii_case(coding) && !none
    })
}

/// A packed script or style without its head, which tells what it was made of.
fn code(packed: &str) -> String {
    packed.split_once('\n').map_or(packed, |(_, code)| code.trim_end()).to_owned()
}

fn brotli(text: &[u8]) -> std::io::Result<Bytes> {
    let params = brotli::enc::BrotliEncoderParams {
        quality: BROTLI_QUALITY,
        lgwin: BROTLI_WINDOW,
        ..Default::default()
    };
    let mut packed = Vec::new();
    brotli::BrotliCompress(&mut &*text, &mut packed, &params)?;
    Ok(packed.into())
}

fn gzip(text: &[u8]) -> std::io::Result<Bytes> {
    let level = flate2::Compression::new(GZIP_LEVEL);
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), level);
    packer.write_all(text)?;
    Ok(packer.finish()?.into())
}

#[cfg(test)]
mod tests {
    use sha2::{Digest, Sha256};

    use super::*;

    const AGAIN: &str = "run `npm run pack` in tests/ramp";

    fn hash(text: &str) -> String {
        Sha256::digest(text).iter().map(|byte| format!("{byte:02x}")).collect()
    }

    fn head(packed: &str) -> &str {
        packed.lines().next().unwrap_or_default()
    }

    #[test]
    fn a_browser_gets_only_what_it_takes() {
        let asked = |text: &'static str| {
            HeaderMap::from_iter([(header::ACCEPT_ENCODING, HeaderValue::from_static(text))])
        };
        assert!(takes(&asked("gzip, deflate, br"), "br"));
        assert!(takes(&asked("br;q=0.8"), "br"));
        assert!(!takes(&asked("gzip, br;q=0"), "br"));
        assert!(!takes(&HeaderMap::new(), "gzip"));
    }

    /// The scripts and styles that are carried are those that are read: `npm run pack` in `tests/ramp` makes
    /// them.
    #[test]
    fn what_is_packed_is_what_was_written() {
        let (bits, crew) = (include_str!("script/bits.js"), include_str!("script/crew.js"));
        let ramp = [
            bits,
            include_str!("script/outbox.js"),
            include_str!("script/states.js"),
            include_str!("script/form.js"),
        ];
        for (parts, packed) in [
            (&ramp[..], include_str!("script/packed/ramp.js")),
            (&[bits, crew], include_str!("script/packed/crew.js")),
            (&[include_str!("script/route.js")], include_str!("script/packed/route.js")),
            (&[include_str!("script/board.js")], include_str!("script/packed/board.js")),
            (&[include_str!("script/phone.js")], include_str!("script/packed/phone.js")),
            (&[include_str!("script/worker.js")], include_str!("script/packed/worker.js")),
        ] {
            assert_eq!(head(packed), format!("// {}", hash(&parts.concat())), "{AGAIN}");
        }
        for (style, packed) in [
            (include_str!("pages/style.css"), include_str!("pages/packed/style.css")),
            (include_str!("pages/print.css"), include_str!("pages/packed/print.css")),
        ] {
            assert_eq!(head(packed), format!("/* {} */", hash(style)), "{AGAIN}");
        }
    }
}
