//! What a person typed into a form.

use std::collections::BTreeMap;

/// The fields of a form as they were sent: of a field that came several times, every value.
#[derive(Clone, Debug, Default)]
pub(super) struct Typed(BTreeMap<String, Vec<String>>);

impl FromIterator<(String, String)> for Typed {
    fn from_iter<I: IntoIterator<Item = (String, String)>>(pairs: I) -> Self {
        let mut fields: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for (name, value) in pairs {
            fields.entry(name).or_default().push(value);
        }
        Typed(fields)
    }
}

impl Typed {
    /// The fields in a body that a form sent, or a page in its way.
    pub(super) fn of_bytes(body: &[u8]) -> Self {
        form_urlencoded::parse(body).into_owned().collect()
    }

    /// The value of a field, trimmed; empty where it did not come.
    pub(super) fn get(&self, name: &str) -> &str {
        self.all(name).first().map_or("", |value| value.trim())
    }

    /// Every value of a field.
    pub(super) fn all(&self, name: &str) -> &[String] {
        self.0.get(name).map_or(&[], Vec::as_slice)
    }

    /// The names of all that came.
    pub(super) fn names(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }

    /// Everything that came, in one text, as a form writes it.
    pub(super) fn whole(&self) -> String {
        let pairs = self.0.iter().flat_map(|(name, all)| all.iter().map(move |one| (name, one)));
        form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish()
    }
}
