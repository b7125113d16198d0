//! The service's own secret, and what is made of it: links, keys, hashes.
//!
//! A link's token is a keyed hash (HMAC-SHA-256, 160 bits kept) of plan, purpose and person under
//! 256 random bits that only this service holds. So a letter can be written again with the same
//! link, while the database holds nothing but the token's hash.

use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit, Mac};
use secrecy::{ExposeSecret, SecretBox};
use sha2::{Digest, Sha256};
use thiserror::Error;

use super::sealing::Seals;
use crate::store::{Link, Reader};

/// How many bytes of a keyed hash make a token: 160 bits.
const TOKEN_BYTES: usize = 20;
/// The digits of a plan's ref: no letter that can be taken for another when it is read aloud.
const REF_DIGITS: &[u8; 30] = b"23456789ABCDEFGHJKMNPQRSTVWXYZ";
const REF_LENGTH: usize = 8;

/// The service's secret.
pub struct Secrets {
    pub(super) own: SecretBox<[u8; 32]>,
    pub(super) seals: Seals,
}

/// Why there is no secret.
#[derive(Debug, Error)]
pub enum SecretsError {
    /// The file.
    #[error("the service's secret, {path}: {source}")]
    File {
        /// Which.
        path: String,
        /// What the system says.
        source: io::Error,
    },
    /// The file is there but is not a secret.
    #[error(
        "the service's secret, {0}, must hold 64 hexadecimal digits; restore it from where you keep a copy, or start the service: it makes a new one, and the links sent so far go on working, but what is sealed can't be opened"
    )]
    Damaged(String),
    /// The file is gone, and the database that goes with it is there.
    #[error(
        "the service's secret, {0}, is gone, though its database is there: restore it from where you keep a copy, or start the service: it makes a new one, and the links sent so far go on working, but what is sealed can't be opened"
    )]
    Gone(String),
    /// The system gives no random numbers.
    #[error("the system gives no random numbers: {0}")]
    Random(#[from] getrandom::Error),
    /// What must be sealed can't be.
    #[error("what the plan says of somebody's health can't be sealed")]
    Unsealable,
}

impl Secrets {
    /// Reads the secret in the data folder, or makes one.
    ///
    /// # Errors
    /// [`SecretsError`]
    pub fn open(data_dir: &Path) -> Result<Self, SecretsError> {
        let path = data_dir.join("secret");
        let failed = |source| SecretsError::File { path: path.display().to_string(), source };
        match fs::read_to_string(&path) {
            Ok(text) => {
                let bytes = from_hex(text.trim());
                let damaged = || SecretsError::Damaged(path.display().to_string());
                bytes.map(|bytes| Secrets::of(bytes, data_dir)).ok_or_else(damaged)
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                if data_dir.join("shorelamp.db").exists() {
                    return Err(SecretsError::Gone(path.display().to_string()));
                }
                make_folder(data_dir).map_err(failed)?;
                let bytes = random::<32>()?;
                write_private(&path, &to_hex(&bytes)).map_err(failed)?;
                Ok(Secrets::of(bytes, data_dir))
            }
            Err(error) => Err(failed(error)),
        }
    }

    /// The same for the service itself, which must alert whatever is lost: in the place of a secret
    /// that is gone or damaged it makes a new one.
    ///
    /// # Errors
    /// [`SecretsError`]
    pub fn open_or_renew(data_dir: &Path) -> Result<Self, SecretsError> {
        let lost = match Self::open(data_dir) {
            Err(lost @ (SecretsError::Gone(_) | SecretsError::Damaged(_))) => lost,
            other => return other,
        };
        tracing::error!(%lost, "the service goes on with a new secret");
        let path = data_dir.join("secret");
        let failed = |source| SecretsError::File { path: path.display().to_string(), source };
        if path.exists() {
            fs::rename(&path, data_dir.join("secret.damaged")).map_err(failed)?;
        }
        let bytes = random::<32>()?;
        write_private(&path, &to_hex(&bytes)).map_err(failed)?;
        Ok(Secrets::of(bytes, data_dir))
    }

    /// What tells one secret from another, and tells nothing of either.
    #[must_use]
    pub fn mark(&self) -> String {
        to_hex(&self.keyed_hash("mark"))
    }

    fn of(bytes: [u8; 32], data_dir: &Path) -> Self {
        Secrets { own: SecretBox::new(Box::new(bytes)), seals: Seals::in_folder(data_dir) }
    }

    /// The token of a plan's link: the same at every call.
    #[must_use]
    pub fn token(&self, plan_ref: &str, link: &Link) -> String {
        let purpose = link.purpose.name();
        let hash = self.keyed_hash(&format!("link {plan_ref} {purpose} {}", link.who));
        URL_SAFE_NO_PAD.encode(&hash[..TOKEN_BYTES])
    }

    /// Whether this is the token of that link; it takes as long for a wrong one as for the right
    /// one.
    #[must_use]
    pub fn is_token(&self, plan_ref: &str, link: &Link, token: &str) -> bool {
        is_same(&self.token(plan_ref, link), token)
    }

    /// What shows that a report is about a letter that we sent: 48 bits, which nobody can try out
    /// without sending a mail for each.
    #[must_use]
    pub fn bounce_tag(&self, letter: &str) -> String {
        let hash = to_hex(&self.keyed_hash(&format!("bounce {letter}")));
        hash.chars().take(12).collect()
    }

    /// The six digits of one of the crew that, with the plan's ref, check it in by anybody's
    /// telephone. Each has their own: whoever is taken off the trip takes no other's with them.
    #[must_use]
    pub fn spoken(&self, plan_ref: &str, who: usize) -> String {
        let hash = self.spoken_hash(plan_ref, who);
        let number = u32::from_be_bytes([hash[0], hash[1], hash[2], hash[3]]);
        format!("{:06}", number % 1_000_000)
    }

    /// All fourteen: the same six and eight more, for when others have guessed too often.
    #[must_use]
    pub fn spoken_whole(&self, plan_ref: &str, who: usize) -> String {
        let hash = self.spoken_hash(plan_ref, who);
        let number = hash[4..12].iter().fold(0, |number, byte| number << 8 | u64::from(*byte));
        format!("{}{:08}", self.spoken(plan_ref, who), number % 100_000_000)
    }

    fn spoken_hash(&self, plan_ref: &str, who: usize) -> [u8; 32] {
        match who {
            // As it was when all of a crew had one: who has it with them is heard.
            0 => self.keyed_hash(&format!("spoken {plan_ref}")),
            who => self.keyed_hash(&format!("spoken {plan_ref} {who}")),
        }
    }

    /// What stands for an address where letters are counted: the same for every way of writing it
    /// that some mail host takes for one mailbox.
    #[must_use]
    pub fn address_hash(&self, email: &str) -> String {
        to_hex(&self.keyed_hash(&format!("address {}", counted_address(email))))
    }

    /// Who reads at an address, for what they have said of themselves.
    #[must_use]
    pub fn reader(&self, email: &str) -> Reader {
        let (exact, plain) = (exact_address(email), plain_address(email));
        Reader {
            mailbox: to_hex(&self.keyed_hash(&format!("mailbox {exact}"))),
            hash: to_hex(&self.keyed_hash(&format!("address {plain}"))),
            counted: self.address_hash(email),
            for_all: exact.to_lowercase() == plain,
        }
    }

    pub(super) fn keyed_hash(&self, text: &str) -> [u8; 32] {
        // HMAC takes a key of any length; this one has 32 bytes.
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(self.own.expose_secret()) else {
            unreachable!("HMAC takes a key of any length");
        };
        mac.update(text.as_bytes());
        mac.finalize().into_bytes().into()
    }
}

/// Whether two texts are the same, in as long a time whether they are or not.
pub fn is_same(one: &str, other: &str) -> bool {
    let differ = one.bytes().zip(other.bytes()).fold(0, |differ, (a, b)| differ | (a ^ b));
    differ == 0 && one.len() == other.len()
}

/// An address of which nothing but its host is made alike: a host may well tell `Name` from `name`,
/// and `name+x` from both (RFC 5321, 2.4), but names of hosts know no capitals (RFC 1035, 2.3.3).
fn exact_address(email: &str) -> String {
    match email.trim().rsplit_once('@') {
        Some((mailbox, host)) => format!("{}@{}", unquoted(mailbox), host.to_lowercase()),
        None => email.trim().to_owned(),
    }
}

/// `"name"` and `"n\ame"` are `name` (RFC 5321, 4.1.2: quoting has no meaning of its own).
fn unquoted(mailbox: &str) -> String {
    let inner = mailbox.strip_prefix('"').and_then(|rest| rest.strip_suffix('"'));
    let Some(inner) = inner else { return mailbox.to_owned() };
    let mut signs = inner.chars();
    let mut plain = String::with_capacity(inner.len());
    while let Some(sign) = signs.next() {
        plain.extend(if sign == '\\' { signs.next() } else { Some(sign) });
    }
    plain
}

/// An address without what its mail server does not tell apart: capitals, and whatever follows a
/// `+` in the name of the mailbox (RFC 5233). Else one victim would have many addresses.
fn plain_address(email: &str) -> String {
    let email = exact_address(email).to_lowercase();
    match email.rsplit_once('@') {
        Some((mailbox, host)) => {
            let plain = mailbox.split('+').next().filter(|plain| !plain.is_empty());
            format!("{}@{host}", plain.unwrap_or(mailbox))
        }
        None => email,
    }
}

/// The same without dots in the name of the mailbox, which some hosts pass over. Two people whose
/// addresses differ in nothing else share a day's number; whatever else is known of either is not
/// the other's.
fn counted_address(email: &str) -> String {
    let plain = plain_address(email);
    match plain.rsplit_once('@') {
        Some((mailbox, host)) => format!("{}@{host}", mailbox.replace('.', "")),
        None => plain,
    }
}

/// The hash under which a token or key is stored.
#[must_use]
pub fn token_hash(token: &str) -> String {
    to_hex(&Sha256::digest(token.as_bytes()).into())
}

/// A new key's secret: 192 random bits.
///
/// # Errors
/// The system gives no random numbers.
pub fn new_key() -> Result<String, SecretsError> {
    Ok(URL_SAFE_NO_PAD.encode(random::<24>()?))
}

/// A new plan's ref, like `7QK4-2M9X`; not a secret, but not to be guessed in a row either.
///
/// # Errors
/// The system gives no random numbers.
pub fn new_ref() -> Result<String, SecretsError> {
    let mut text = String::with_capacity(REF_LENGTH + 1);
    for (at, byte) in random::<REF_LENGTH>()?.into_iter().enumerate() {
        if at == REF_LENGTH / 2 {
            text.push('-');
        }
        text.push(char::from(REF_DIGITS[usize::from(byte) % REF_DIGITS.len()]));
    }
    Ok(text)
}

pub(super) fn random<const N: usize>() -> Result<[u8; N], SecretsError> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes)?;
    Ok(bytes)
}

/// Makes a folder that only its owner can enter.
pub(super) fn make_folder(path: &Path) -> io::Result<()> {
    fs::DirBuilder::new().recursive(true).mode(0o700).create(path)
}

/// Writes a file that only its owner can read; it must be on the disk before anything made of it
/// leaves the service.
pub(super) fn write_private(path: &Path, text: &str) -> io::Result<()> {
    let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    match path.parent() {
        Some(folder) => fs::File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}

pub(super) fn to_hex(bytes: &[u8; 32]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

pub(super) fn from_hex(text: &str) -> Option<[u8; 32]> {
    let mut bytes = [0; 32];
    if text.len() != 64 || !text.is_ascii() {
        return None;
    }
    for (at, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&text[2 * at..2 * at + 2], 16).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Purpose;

    #[test]
    fn a_secret_is_made_once_and_read_again() {
        let folder = tempfile::tempdir().unwrap();
        let link = Link { purpose: Purpose::Contact, who: 1 };
        let first = Secrets::open(folder.path()).unwrap();
        let again = Secrets::open(folder.path()).unwrap();
        assert_eq!(first.token("A", &link), again.token("A", &link));
        let other = tempfile::tempdir().unwrap();
        let other = Secrets::open(other.path()).unwrap();
        assert_ne!(first.token("A", &link), other.token("A", &link));
    }

    #[test]
    fn each_plan_purpose_and_person_has_its_own_token() {
        let folder = tempfile::tempdir().unwrap();
        let secrets = Secrets::open(folder.path()).unwrap();
        let mut tokens: Vec<String> = Vec::new();
        for plan in ["A", "B"] {
            for purpose in [Purpose::Crew, Purpose::Contact, Purpose::CheckIn] {
                tokens.extend((0..3).map(|who| secrets.token(plan, &Link { purpose, who })));
            }
        }
        assert!(tokens.iter().all(|token| token.len() == 27), "160 bits in base64");
        let number = tokens.len();
        tokens.sort();
        tokens.dedup();
        assert_eq!(tokens.len(), number);
    }

    #[test]
    fn a_lost_secret_is_not_replaced_in_silence() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("shorelamp.db"), "").unwrap();
        let gone = Secrets::open(folder.path()).err().unwrap();
        assert!(matches!(gone, SecretsError::Gone(_)), "{gone}");
    }

    #[test]
    fn the_service_goes_on_without_its_secret() {
        for text in [None, Some("short")] {
            let folder = tempfile::tempdir().unwrap();
            fs::write(folder.path().join("shorelamp.db"), "").unwrap();
            if let Some(text) = text {
                fs::write(folder.path().join("secret"), text).unwrap();
            }
            let new = Secrets::open_or_renew(folder.path()).unwrap();
            assert_eq!(new.mark(), Secrets::open(folder.path()).unwrap().mark());
            assert_eq!(folder.path().join("secret.damaged").exists(), text.is_some());
        }
    }

    #[test]
    fn a_damaged_secret_is_not_replaced_in_silence() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("secret"), "short").unwrap();
        assert!(matches!(Secrets::open(folder.path()), Err(SecretsError::Damaged(_))));
    }

    /// The form of RFC 5233: `user+detail@host`.
    #[test]
    fn an_address_counts_as_one_however_it_is_written() {
        for (written, plain) in [
            ("Dunstan@Example.ORG", "dunstan@example.org"),
            (" dunstan+trip@example.org", "dunstan@example.org"),
            ("dunstan+a+b@example.org", "dunstan@example.org"),
            ("+@example.org", "+@example.org"),
            ("\"dunstan\"@example.org", "dunstan@example.org"),
            ("\"D\\un\\\\stan+x\"@example.org", "dun\\stan@example.org"),
            ("\"@example.org", "\"@example.org"),
            ("dun.stan@example.org", "dun.stan@example.org"),
        ] {
            assert_eq!(plain_address(written), plain);
        }
        assert_eq!(counted_address("D.un.stan+x@sub.example.org"), "dunstan@sub.example.org");
    }

    #[test]
    fn a_reader_is_one_mailbox_and_speaks_for_more_only_without_a_tag() {
        let folder = tempfile::tempdir().unwrap();
        let secrets = Secrets::open(folder.path()).unwrap();
        let [plain, host, capital, tag] =
            ["dun@example.org", " dun@Example.ORG", "Dun@example.org", "dun+x@example.org"]
                .map(|email| secrets.reader(email));
        assert_eq!(plain, host);
        assert_ne!(plain.mailbox, capital.mailbox);
        assert_ne!(plain.mailbox, tag.mailbox);
        assert!(plain.hash == capital.hash && plain.hash == tag.hash);
        assert!(plain.for_all && capital.for_all && !tag.for_all);
    }

    #[test]
    fn fourteen_digits_begin_with_the_six() {
        let folder = tempfile::tempdir().unwrap();
        let secrets = Secrets::open(folder.path()).unwrap();
        let (six, all) = (secrets.spoken("A", 1), secrets.spoken_whole("A", 1));
        assert!(all.starts_with(&six) && six.len() == 6 && all.len() == 14, "{six} {all}");
        assert!(all.bytes().all(|digit| digit.is_ascii_digit()));
        assert_ne!(all[6..], secrets.spoken_whole("B", 1)[6..]);
        assert_ne!(all, secrets.spoken_whole("A", 0));
    }

    #[test]
    fn a_ref_is_easy_to_say() {
        let plan_ref = new_ref().unwrap();
        assert_eq!(plan_ref.len(), 9);
        assert!(!plan_ref.contains(['0', 'O', '1', 'I', 'L', 'U']));
    }

    /// FIPS 180-4 example: the SHA-256 of "abc".
    #[test]
    fn tokens_are_stored_under_sha_256() {
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(token_hash("abc"), expected);
    }
}
