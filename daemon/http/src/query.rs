//! Reading of the part of an address after the question mark.

use axum::extract::Query;
use axum::http::Uri;

use crate::refusal::{Refusal, malformed};

/// The values of the `known` keys in their order; any other key, or one given twice, is refused.
pub(crate) fn read<const N: usize>(
    uri: &Uri,
    known: [&str; N],
) -> Result<[Option<String>; N], Refusal> {
    let Query(pairs) = Query::<Vec<(String, String)>>::try_from_uri(uri)
        .map_err(|error| malformed("bad-query", format!("the address cannot be read: {error}")))?;
    let mut values = [const { None }; N];
    for (key, value) in pairs {
        let Some(index) = known.iter().position(|name| *name == key) else {
            let list = known.join("`, `");
            let advice = if N == 0 {
                "this address takes none".to_owned()
            } else {
                format!("known here: `{list}`")
            };
            return Err(malformed(
                "unknown-query-key",
                format!("unknown key `{key}` in the address; {advice}"),
            ));
        };
        if values[index].replace(value).is_some() {
            return Err(malformed(
                "repeated-query-key",
                format!("`{key}` stands twice in the address; give it once"),
            ));
        }
    }
    Ok(values)
}
