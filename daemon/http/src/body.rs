//! Reading of request bodies, with errors that name the line or the field and say what to do.

use axum::body::Body;
use axum::extract::Request;
use axum::http::{StatusCode, header};
use daemon_api::ProblemKind;
use futures_util::StreamExt;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use crate::culprit;
use crate::refusal::{Refusal, malformed, with_status};

/// Longest body that is read.
pub const BODY_BYTES_MAX: usize = 16 * 1024 * 1024;

/// Of a longer body this much is taken and thrown away, so that the client, still sending, gets to
/// read why it was refused and not only a broken connection.
const DISCARDED_BYTES_MAX: usize = 8 * BODY_BYTES_MAX;

/// Reads a JSON body. `first_keys` are the top-level keys that `T` reads before all others.
pub(crate) async fn read<T>(request: Request, first_keys: &[&str]) -> Result<T, Refusal>
where
    T: DeserializeOwned + Serialize,
{
    require_json(&request)?;
    let bytes = collect(request.into_body()).await?;
    parse(&bytes, first_keys)
}

/// A web page open on this machine may post plain text or a form here without asking, but not JSON.
fn require_json(request: &Request) -> Result<(), Refusal> {
    let is_json = request
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .is_some_and(|media| media.trim().eq_ignore_ascii_case("application/json"));
    if is_json {
        return Ok(());
    }
    Err(with_status(
        ProblemKind::Malformed,
        StatusCode::UNSUPPORTED_MEDIA_TYPE,
        "not-declared-json",
        "the body is not declared as JSON: send the header `content-type: application/json`",
    ))
}

async fn collect(body: Body) -> Result<Vec<u8>, Refusal> {
    let mut pieces = body.into_data_stream();
    let mut bytes = Vec::new();
    let mut byte_count = 0_usize;
    while let Some(piece) = pieces.next().await {
        let piece = piece.map_err(|error| {
            malformed(
                "body-cut-off",
                format!("the body broke off ({error}): send the request again"),
            )
        })?;
        byte_count += piece.len();
        if byte_count <= BODY_BYTES_MAX {
            bytes.extend_from_slice(&piece);
        } else if byte_count > DISCARDED_BYTES_MAX {
            break;
        }
    }
    if byte_count <= BODY_BYTES_MAX {
        return Ok(bytes);
    }
    Err(with_status(
        ProblemKind::Malformed,
        StatusCode::PAYLOAD_TOO_LARGE,
        "body-too-large",
        format!(
            "the body is longer than {} MiB and nothing of it was stored: send it in smaller parts",
            BODY_BYTES_MAX / (1024 * 1024)
        ),
    ))
}

fn parse<T>(bytes: &[u8], first_keys: &[&str]) -> Result<T, Refusal>
where
    T: DeserializeOwned + Serialize,
{
    let parsed: T = serde_json::from_slice(bytes)
        .map_err(|error| unreadable::<T>(bytes, &error, first_keys))?;
    // Types that are flattened somewhere cannot refuse unknown fields by themselves, and a field
    // with a wrong name must not be lost in silence. What was read is written again and compared.
    let sent = serde_json::from_slice::<Value>(bytes);
    let understood = serde_json::to_value(&parsed);
    if let (Ok(sent), Ok(understood)) = (sent, understood)
        && let Some(path) = culprit::not_understood(&sent, &understood)
    {
        return Err(malformed(
            "unknown-field",
            format!("unknown field `{path}`: correct its name or leave it out; nothing was stored"),
        ));
    }
    Ok(parsed)
}

fn unreadable<T: DeserializeOwned>(
    bytes: &[u8],
    error: &serde_json::Error,
    first_keys: &[&str],
) -> Refusal {
    if !error.is_data() {
        return malformed(
            "not-json",
            format!("the body is not JSON: {error}; correct it there and send it again"),
        );
    }
    let field = serde_json::from_slice::<Value>(bytes)
        .ok()
        .and_then(|value| culprit::refused_field::<T>(value, first_keys));
    let place = field.map_or_else(String::new, |path| format!(" in field `{path}`"));
    malformed(
        "wrong-shape",
        format!("the body does not fit{place}: {error}; correct it and send it again"),
    )
}

#[cfg(test)]
mod tests {
    use daemon_api::Act;
    use daemon_api::reading::Backfill;

    use super::*;
    use crate::handlers::act::FIRST_KEYS;

    const ACT_HEAD: &str = r#"{"id":"019a0000-0000-7000-8000-000000000001",
        "happened_at":"2026-03-02T02:00:00Z","by":"A. Finch","pour":"N4-0302","#;

    fn refused<T: DeserializeOwned + Serialize + std::fmt::Debug>(
        body: &str,
        keys: &[&str],
    ) -> (String, String) {
        let Refusal(problem) = parse::<T>(body.as_bytes(), keys).expect_err(body);
        assert_eq!(problem.status, 400);
        (problem.code, problem.detail)
    }

    fn refused_act(rest: &str) -> (String, String) {
        refused::<Act>(&format!("{ACT_HEAD}{rest}"), FIRST_KEYS)
    }

    #[test]
    fn a_body_that_is_not_json_is_told_line_and_column() {
        let (code, detail) = refused::<Backfill>("{\n \"by\": ,\n}", &[]);
        assert_eq!(code, "not-json");
        assert!(detail.contains("line 2 column 8"), "{detail}");
    }

    #[test]
    fn a_back_fill_with_a_wrong_value_is_told_line_and_field() {
        let (code, detail) = refused::<Backfill>(
            "{\"by\":\"Q\",\"origin\":\"f.csv\",\"readings\":[\n{\"channel\":\"a\",\
             \"measured_at\":\"2026-03-02T02:00:00Z\",\"temperature_c\":1.0},\n{\"channel\":\"a\",\
             \"measured_at\":\"2 March\",\"temperature_c\":1.0}]}",
            &[],
        );
        assert_eq!(code, "wrong-shape");
        assert!(detail.contains("line 3"), "{detail}");
        assert!(detail.contains("`readings[1].measured_at`"), "{detail}");
    }

    #[test]
    fn an_act_with_a_wrong_value_is_told_the_field_however_deep() {
        for (rest, field) in [
            (
                r#""act":"hand-probed","position":"P1","temperature_c":"31"}"#,
                "temperature_c",
            ),
            (
                r#""act":"hand-probed","position":5,"temperature_c":31}"#,
                "position",
            ),
            (
                r#""act":"break-recorded","set":"S1","tested_at":"2026-03-02T02:00:00Z","specimens":
                [{"specimen":"S1-1","strength_mpa":31.0},{"specimen":"S1-2","strength_mpa":{"mpa":31}}]}"#,
                "specimens[1].strength_mpa",
            ),
            (
                r#""act":"plug-moved","channel":"c","role":"concret"}"#,
                "role",
            ),
            (r#""act":"heat-on","why":7}"#, "why"),
        ] {
            let (code, detail) = refused_act(rest);
            assert_eq!(code, "wrong-shape", "{detail}");
            assert!(detail.contains(&format!("field `{field}`")), "{detail}");
        }
    }

    #[test]
    fn a_missing_field_and_an_unknown_act_are_named() {
        let (_, detail) = refused_act(r#""act":"hand-probed","temperature_c":31}"#);
        assert!(detail.contains("missing field `position`"), "{detail}");
        let (_, detail) = refused_act(r#""act":"cut-strand"}"#);
        assert!(detail.contains("unknown variant `cut-strand`"), "{detail}");
    }

    #[test]
    fn a_field_with_a_wrong_name_is_never_lost_in_silence() {
        for (rest, field) in [
            (r#""act":"heat-on","reason":"cold"}"#, "reason"),
            (
                r#""act":"break-recorded","set":"S1","tested_at":"2026-03-02T02:00:00Z",
                "pulled":"2026-03-02T01:50:00Z","specimens":[]}"#,
                "pulled",
            ),
            (
                r#""act":"pour-opened","bed":"N4","mix":"M1","from_station_m":0,"to_station_m":90,
                "required":[],"loads":[{"ticket":"1","placed_from_at":"2026-03-01T14:00:00Z",
                "placed_to_at":"2026-03-01T14:10:00Z","from_station_m":0,"to_station_m":9,"mix":"x"}]}"#,
                "loads[0].mix",
            ),
        ] {
            let (code, detail) = refused_act(rest);
            assert_eq!(code, "unknown-field", "{detail}");
            assert!(detail.contains(&format!("`{field}`")), "{detail}");
        }
    }

    #[test]
    fn empty_and_null_optional_fields_are_no_unknown_fields() {
        let body = format!(
            "{ACT_HEAD}{}",
            r#""why":null,"act":"pour-opened","bed":"N4","mix":"M1","from_station_m":0,
            "to_station_m":90,"required":[],"pieces":[],"section":null,
            "positions":[{"id":"P1","station_m":1,"place":""}]}"#
        );
        parse::<Act>(body.as_bytes(), FIRST_KEYS).expect("a usual body");
    }
}
