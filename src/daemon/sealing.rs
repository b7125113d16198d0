//! What is told of somebody's health lies sealed on the disk, and leaves only with an alert.
//!
//! Each plan has random bits of its own in a file beside the database (`sealed/REF`); with the
//! service's secret they make the key (HKDF-SHA-256, RFC 5869) that seals by ChaCha20-Poly1305
//! (RFC 8439). No backup of the database holds those bits: once their file is removed, no copy of
//! the plan, wherever it lies, can be opened any more. A key that is lost costs an alert those
//! words and never the alert.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chacha20poly1305::aead::{Aead, KeyInit, Payload};
use chacha20poly1305::{ChaCha20Poly1305, Key, Nonce};
use hkdf::Hkdf;
use secrecy::{ExposeSecret, SecretBox};
use sha2::{Digest, Sha256};

use super::filing::to_json;
use super::secrets::{from_hex, random, to_hex, write_private};
use super::{Daemon, FilingError, SecretsError};
use crate::plan::{Faults, Plan, read_json};
use crate::store::{PlanRecord, StoreError, guarded_over};

/// What stands for words that were given and can't be opened any more.
pub const LOST: &str = "Something was given here, but this service has lost the key to it. Ask \
                        the crew's family";
/// How sealed words begin in a stored plan, and what stands before them there.
const SEALED: &str = "sealed:1:";
const BEFORE: &str = r#""medical":"#;
const NONCE_BYTES: usize = 12;
/// Whose the marks of bodies are.
const BODY: &str = "body";
/// So many plans' keys are kept at hand; with more, they are read anew.
const MOST_KEPT: usize = 8192;

/// The keys of plans.
pub(super) struct Seals {
    folder: PathBuf,
    kept: Mutex<BTreeMap<String, SecretBox<[u8; 32]>>>,
}

/// A stored plan with its seals opened.
pub(super) struct Opened {
    pub(super) text: String,
    /// Whether something could not be opened.
    pub(super) lost: bool,
}

impl Seals {
    pub(super) fn in_folder(data_dir: &Path) -> Self {
        Seals { folder: data_dir.join("sealed"), kept: Mutex::default() }
    }

    /// The plan with its medical notes sealed; a key is made for it if it has none.
    fn seal(&self, secret: &[u8; 32], plan_ref: &str, plan: &Plan) -> Result<Plan, SecretsError> {
        let mut plan = plan.clone();
        for medical in plan.crew.iter_mut().filter_map(|one| one.medical.as_mut()) {
            let key = self.key(secret, plan_ref, true)?;
            *medical = seal_one(&key, plan_ref, medical, random()?)?;
        }
        Ok(plan)
    }

    /// The text of a stored plan with its seals opened. Whatever else is in it stays as it is,
    /// even if it is no plan.
    fn open(&self, secret: &[u8; 32], plan_ref: &str, stored: &str) -> Opened {
        let mark = format!("{BEFORE}\"{SEALED}");
        let mut opened = Opened { text: String::with_capacity(stored.len()), lost: false };
        let mut rest = stored;
        while let Some(at) = rest.find(&mark) {
            let (before, sealed) = (&rest[..at + BEFORE.len()], &rest[at + mark.len()..]);
            let end = sealed.find('"').unwrap_or(sealed.len());
            let words = self.open_one(secret, plan_ref, &sealed[..end]);
            opened.lost |= words.is_none();
            let words = serde_json::Value::from(words.unwrap_or_else(|| LOST.to_owned()));
            opened.text.push_str(before);
            opened.text.push_str(&words.to_string());
            rest = sealed.get(end + 1..).unwrap_or_default();
        }
        opened.text.push_str(rest);
        opened
    }

    fn open_one(&self, secret: &[u8; 32], plan_ref: &str, sealed: &str) -> Option<String> {
        open_with(&self.key(secret, plan_ref, false).ok()?, plan_ref, sealed)
    }

    /// A plan's key.
    fn key(
        &self,
        secret: &[u8; 32],
        plan_ref: &str,
        make: bool,
    ) -> Result<SecretBox<[u8; 32]>, SecretsError> {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(key) = kept.get(plan_ref) {
            return Ok(copy(key));
        }
        let own = self.own_bits(plan_ref, make)?;
        let key = derived(secret, Some(&own), &format!("medical {plan_ref}"))?;
        if kept.len() >= MOST_KEPT {
            kept.clear();
        }
        kept.insert(plan_ref.to_owned(), copy(&key));
        Ok(key)
    }

    fn own_bits(&self, plan_ref: &str, make: bool) -> Result<[u8; 32], SecretsError> {
        let path = self.path(plan_ref);
        let failed = |source| SecretsError::File { path: path.display().to_string(), source };
        match fs::read_to_string(&path) {
            Ok(text) => from_hex(text.trim())
                .ok_or_else(|| failed(io::Error::from(io::ErrorKind::InvalidData))),
            Err(error) if error.kind() == io::ErrorKind::NotFound && make => {
                let own = random::<32>()?;
                super::secrets::make_folder(&self.folder).map_err(failed)?;
                write_private(&path, &to_hex(&own)).map_err(failed)?;
                Ok(own)
            }
            Err(error) => Err(failed(error)),
        }
    }

    /// Makes sure that nothing sealed for this plan is ever opened again, in whatever copy.
    fn forget(&self, plan_ref: &str) -> io::Result<()> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).remove(plan_ref);
        let path = self.path(plan_ref);
        match fs::OpenOptions::new().write(true).open(&path) {
            // Written over before it is removed: what the disk then keeps of it is out of reach.
            Ok(mut file) => {
                io::Write::write_all(&mut file, &[b'0'; 64])?;
                file.sync_all()?;
                drop(file);
                fs::remove_file(&path)?;
                fs::File::open(&self.folder)?.sync_all()
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(error),
        }
    }

    /// The plans that have keys.
    fn plans(&self) -> Vec<(String, Option<std::time::SystemTime>)> {
        let Ok(entries) = fs::read_dir(&self.folder) else { return Vec::new() };
        let of = |entry: fs::DirEntry| {
            let made_at = entry.metadata().and_then(|file| file.modified()).ok();
            Some((entry.file_name().into_string().ok()?, made_at))
        };
        entries.flatten().filter_map(of).collect()
    }

    /// A ref has digits, capital letters and a hyphen; what came from a database is no path.
    fn path(&self, plan_ref: &str) -> PathBuf {
        let harmless = |c: &char| c.is_ascii_alphanumeric() || *c == '-';
        self.folder.join(plan_ref.chars().filter(harmless).collect::<String>())
    }
}

fn copy(key: &SecretBox<[u8; 32]>) -> SecretBox<[u8; 32]> {
    SecretBox::new(Box::new(*key.expose_secret()))
}

fn derived(
    secret: &[u8; 32],
    own: Option<&[u8]>,
    purpose: &str,
) -> Result<SecretBox<[u8; 32]>, SecretsError> {
    let mut key = SecretBox::new(Box::new([0; 32]));
    let made = Hkdf::<Sha256>::new(own, secret)
        .expand(purpose.as_bytes(), secrecy::ExposeSecretMut::expose_secret_mut(&mut key));
    // HKDF makes up to 8160 bytes; 32 are asked for.
    made.map_err(|_| SecretsError::Unsealable)?;
    Ok(key)
}

fn open_with(key: &SecretBox<[u8; 32]>, owner: &str, sealed: &str) -> Option<String> {
    let bytes = URL_SAFE_NO_PAD.decode(sealed).ok()?;
    let (nonce, msg) = bytes.split_first_chunk::<NONCE_BYTES>()?;
    let payload = Payload { msg, aad: owner.as_bytes() };
    let words = cipher(key).decrypt(&Nonce::from(*nonce), payload).ok()?;
    String::from_utf8(words).ok()
}

fn cipher(key: &SecretBox<[u8; 32]>) -> ChaCha20Poly1305 {
    ChaCha20Poly1305::new(&Key::from(*key.expose_secret()))
}

fn seal_one(
    key: &SecretBox<[u8; 32]>,
    plan_ref: &str,
    words: &str,
    nonce: [u8; NONCE_BYTES],
) -> Result<String, SecretsError> {
    let payload = Payload { msg: words.as_bytes(), aad: plan_ref.as_bytes() };
    let sealed = cipher(key).encrypt(&Nonce::from(nonce), payload);
    let sealed = sealed.map_err(|_| SecretsError::Unsealable)?;
    Ok(format!("{SEALED}{}", URL_SAFE_NO_PAD.encode([&nonce[..], &sealed[..]].concat())))
}

impl super::Secrets {
    /// The text of a stored plan with its seals opened.
    pub(super) fn open_sealed(&self, plan_ref: &str, stored: &str) -> Opened {
        self.seals.open(self.own.expose_secret(), plan_ref, stored)
    }

    /// What stands for the body of a request in the database: its SHA-256, sealed, so that whoever
    /// has the database alone can't try out what the body may have said. The same for the same
    /// body: its nonce is a keyed hash of what it seals, as in SIV (RFC 5297).
    ///
    /// # Errors
    /// It can't be sealed.
    pub(super) fn body_mark(&self, body: &[u8]) -> Result<String, SecretsError> {
        let digest = to_hex(&Sha256::digest(body).into());
        let keyed = self.keyed_hash(&format!("body {digest}"));
        let nonce = std::array::from_fn(|at| keyed[at]);
        seal_one(&self.key_for("bodies")?, BODY, &digest, nonce)
    }

    /// The SHA-256 of the body that this stands for; one from before it was sealed is itself.
    pub(super) fn body_sha256(&self, mark: &str) -> String {
        self.open_text(BODY, "bodies", mark).unwrap_or_default()
    }

    /// A text of this owner, sealed.
    ///
    /// # Errors
    /// It can't be sealed.
    pub(super) fn seal_text(&self, owner: &str, text: &str) -> Result<String, SecretsError> {
        seal_one(&self.key_for(&format!("of {owner}"))?, owner, text, random()?)
    }

    fn open_text(&self, owner: &str, purpose: &str, text: &str) -> Option<String> {
        let Some(sealed) = text.strip_prefix(SEALED) else { return Some(text.to_owned()) };
        open_with(&self.key_for(purpose).ok()?, owner, sealed)
    }

    fn key_for(&self, purpose: &str) -> Result<SecretBox<[u8; 32]>, SecretsError> {
        derived(self.own.expose_secret(), None, purpose)
    }

    /// The plan with what is sealed on the disk sealed.
    pub(super) fn seal(&self, plan_ref: &str, plan: &Plan) -> Result<Plan, SecretsError> {
        self.seals.seal(self.own.expose_secret(), plan_ref, plan)
    }
}

impl Daemon {
    /// A plan as it was stored, which was checked when it was filed, with its seals opened.
    ///
    /// # Errors
    /// [`StoreError::Damaged`]
    pub fn plan_of(&self, record: &PlanRecord) -> Result<Plan, StoreError> {
        let plan_ref = &record.plan_ref;
        stored_plan(plan_ref, || {
            let opened = self.0.secrets.open_sealed(plan_ref, &record.plan_json);
            if opened.lost {
                self.tell_of_lost_key(plan_ref);
            }
            read_json(&opened.text, &|_| Err("a stored plan names no files".to_owned()))
        })
    }

    /// The text under which a plan is stored.
    pub(super) async fn stored_text(
        &self,
        plan_ref: &str,
        plan: &Plan,
    ) -> Result<String, FilingError> {
        if plan.crew.iter().all(|one| one.medical.is_none()) {
            return Ok(to_json(plan_ref, plan)?);
        }
        // A key that is made must be on the disk before what it seals: that takes its time.
        let (daemon, plan, of) = (self.clone(), plan.clone(), plan_ref.to_owned());
        let sealing = move || daemon.0.secrets.seal(&of, &plan);
        let sealed = tokio::task::spawn_blocking(sealing).await;
        let sealed = sealed.map_err(|_| SecretsError::Unsealable)?;
        Ok(to_json(plan_ref, &sealed.map_err(no_room)?)?)
    }

    /// A text that a key's device keeps here for its next trip, sealed.
    ///
    /// # Errors
    /// It can't be sealed.
    pub fn seal_for(&self, key_id: &str, text: &str) -> Result<String, SecretsError> {
        self.0.secrets.seal_text(key_id, text)
    }

    /// The same text opened; `None` once the service's secret is another.
    #[must_use]
    pub fn open_for(&self, key_id: &str, text: &str) -> Option<String> {
        self.0.secrets.open_text(key_id, &format!("of {key_id}"), text)
    }

    /// The SHA-256 of the body that a plan was filed by, of the mark that the database has of it.
    #[must_use]
    pub fn body_sha256(&self, mark: &str) -> String {
        self.0.secrets.body_sha256(mark)
    }

    /// Forgets a plan's key, so that what it sealed is out of reach in every copy.
    pub(super) fn forget_key(&self, plan_ref: &str) {
        if let Err(error) = self.0.secrets.seals.forget(plan_ref) {
            tracing::warn!(plan = plan_ref, %error, "the key of a plan's sealed words stays");
        }
    }

    /// The plans that have keys, and when each was made.
    pub(super) fn plans_with_keys(&self) -> Vec<(String, Option<std::time::SystemTime>)> {
        self.0.secrets.seals.plans()
    }

    pub(super) fn tell_of_lost_key(&self, plan_ref: &str) {
        self.tell_keeper(
            "sealed",
            &format!(
                "the key to what plan {plan_ref} says of its crew's health is lost; its alerts go \
                 out without those words, and say so"
            ),
            &[
                "Put the file `secret` and the folder `sealed` of the data folder back from where \
                 you keep copies of them.",
                "Or ask somebody who knows the crew, and tell the contacts what a rescuer must know.",
            ],
        );
    }
}

/// A plan that is read from what is stored of it, each time the service starts and for each of its
/// letters: where the program fails over it, it is damaged like one that is no plan any more.
fn stored_plan(
    plan_ref: &str,
    read: impl FnOnce() -> Result<Plan, Faults>,
) -> Result<Plan, StoreError> {
    guarded_over(plan_ref, || {
        read().map_err(|faults| {
            // Where the faults are, and nothing of what stands there: this is logged.
            let keys: Vec<&str> = faults.list().iter().map(|fault| fault.key.as_str()).collect();
            let why = format!("it is no plan any more ({})", keys.join(", "));
            StoreError::Damaged { plan: plan_ref.to_owned(), why, page: false }
        })
    })
}

fn no_room(error: SecretsError) -> FilingError {
    match error {
        SecretsError::File { source, .. } if source.kind() == io::ErrorKind::StorageFull => {
            FilingError::DiskFull
        }
        error => error.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECRET: [u8; 32] = [7; 32];
    const REF: &str = "7QK4-2M9X";

    fn plan(medical: &str) -> Plan {
        let plan = serde_json::json!({
            "times": {"launch": "2026-06-14T09:00:00Z", "return_by": "2026-06-14T12:00:00Z"},
            "launch": {"position": "48.5 -123.1"},
            "crew": [{"name": "Ines", "medical": medical}, {"name": "Per"}],
            "contact": [{"name": "Odd", "email": "odd@example.org"}],
            "title": r#"he wrote "medical":"sealed:1:AAAA" here"#,
        });
        read_json(&plan.to_string(), &|_| Err(String::new())).unwrap()
    }

    fn stored(seals: &Seals, medical: &str) -> String {
        to_json(REF, &seals.seal(&SECRET, REF, &plan(medical)).unwrap()).unwrap()
    }

    fn opened(seals: &Seals, stored: &str) -> Plan {
        read_json(&seals.open(&SECRET, REF, stored).text, &|_| Err(String::new())).unwrap()
    }

    /// The key and the sealed words as Python's `cryptography` 50.0.2 makes them of the same
    /// secret, bits, nonce and words (HKDF, ChaCha20Poly1305).
    #[test]
    fn the_seal_is_that_of_another_library() {
        let folder = tempfile::tempdir().unwrap();
        let seals = Seals::in_folder(folder.path());
        fs::create_dir(folder.path().join("sealed")).unwrap();
        fs::write(folder.path().join("sealed").join(REF), "09".repeat(32)).unwrap();
        let key = seals.key(&SECRET, REF, false).unwrap();
        let nonce = std::array::from_fn(|at| u8::try_from(at).unwrap());
        let sealed = seal_one(&key, REF, "Asthma", nonce).unwrap();
        assert_eq!(sealed, "sealed:1:AAECAwQFBgcICQoLRwDr9q2DkKsFD9hypl_uVo4pijiPlQ");
    }

    #[test]
    fn what_was_sealed_is_opened_again() {
        let folder = tempfile::tempdir().unwrap();
        let seals = Seals::in_folder(folder.path());
        for words in ["Asthma", "\"quoted\"\nand a line \\ more", &"é".repeat(1000)] {
            let text = stored(&seals, words);
            assert!(!text.contains(&words[..4]), "{text}");
            assert_eq!(opened(&seals, &text), plan(words));
        }
        let again = Seals::in_folder(folder.path());
        assert_eq!(opened(&again, &stored(&seals, "Asthma")), plan("Asthma"), "after a restart");
        assert_eq!(opened(&again, &to_json(REF, &plan("Old")).unwrap()), plan("Old"), "unsealed");
    }

    #[test]
    fn a_lost_key_costs_the_words_alone() {
        let folder = tempfile::tempdir().unwrap();
        let seals = Seals::in_folder(folder.path());
        let text = stored(&seals, "Asthma");
        let sealed = r#""medical":"sealed:1:"#;
        let damaged = text.replacen(sealed, &format!("{sealed}AAAA"), 1);
        for (secret, plan_ref, text) in
            [([8; 32], REF, &text), (SECRET, "AAAA-AAAA", &text), (SECRET, REF, &damaged)]
        {
            let seals = Seals::in_folder(folder.path());
            let opened = seals.open(&secret, plan_ref, text);
            assert!(opened.lost && opened.text.contains(LOST), "{}", opened.text);
            assert!(read_json(&opened.text, &|_| Err(String::new())).is_ok());
        }
        let cut = &text[..text.find(sealed).unwrap() + 40];
        assert!(seals.open(&SECRET, REF, cut).lost, "no end");
    }

    /// What panics here stands for the program itself: no stored text is known that makes it fail.
    #[test]
    fn a_stored_plan_over_which_the_program_fails_is_a_damaged_one() {
        let no_plan = stored_plan(REF, || read_json("{}", &|_| Err(String::new()))).unwrap_err();
        let failed = stored_plan(REF, || {
            let plan = plan("Asthma");
            assert!(plan.crew.is_empty(), "as it was told to");
            Ok(plan)
        });
        let failed = failed.unwrap_err();
        for (damage, why) in [(no_plan, "no plan any more (launch"), (failed, "the program fails")]
        {
            let said = damage.to_string();
            assert!(damage.is_damage() && said.contains(REF) && said.contains(why), "{said}");
        }
    }

    #[test]
    fn a_body_has_one_mark_that_tells_nothing_without_the_secret() {
        let folder = tempfile::tempdir().unwrap();
        let secrets = crate::daemon::Secrets::open(folder.path()).unwrap();
        let mark = secrets.body_mark(b"abc").unwrap();
        assert_eq!(mark, secrets.body_mark(b"abc").unwrap());
        assert_ne!(mark, secrets.body_mark(b"abd").unwrap());
        // FIPS 180-4 example: the SHA-256 of "abc".
        let sha256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert!(!mark.contains(sha256));
        assert_eq!(secrets.body_sha256(&mark), sha256);
        assert_eq!(secrets.body_sha256(sha256), sha256, "from before");
    }

    #[test]
    fn what_a_device_keeps_is_its_own() {
        let folder = tempfile::tempdir().unwrap();
        let secrets = crate::daemon::Secrets::open(folder.path()).unwrap();
        let sealed = secrets.seal_text("A", "Asthma").unwrap();
        assert!(!sealed.contains("Asthma"));
        assert_eq!(secrets.open_text("A", "of A", &sealed).as_deref(), Some("Asthma"));
        assert_eq!(secrets.open_text("B", "of B", &sealed), None);
        assert_eq!(secrets.open_text("A", "of A", "old").as_deref(), Some("old"));
    }

    #[test]
    fn a_forgotten_plan_is_out_of_reach() {
        let folder = tempfile::tempdir().unwrap();
        let seals = Seals::in_folder(folder.path());
        let text = stored(&seals, "Asthma");
        seals.forget(REF).unwrap();
        assert!(seals.open(&SECRET, REF, &text).lost);
        assert!(seals.plans().is_empty());
        seals.forget(REF).unwrap();
    }
}
