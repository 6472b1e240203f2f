//! JSON payloads read by RFC 6901 pointers to value, time, channel and unit.

use serde_json::Value;

use super::channel::ChannelTemplate;
use super::time::TimeFormat;
use super::value::{TemperatureUnit, ValueRule};
use super::{Decoded, Reason, Record, Stamp, text};
use crate::delivery::{Content, RefusalKind};

/// A JSON pointer whose syntax has been checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pointer(String);

impl Pointer {
    pub fn parse(pointer: &str) -> Result<Self, String> {
        if !pointer.is_empty() && !pointer.starts_with('/') {
            return Err(format!(
                "`{pointer}` must start with `/` (or be empty for the whole)"
            ));
        }
        let mut characters = pointer.chars();
        while let Some(character) = characters.next() {
            if character == '~' && !matches!(characters.next(), Some('0' | '1')) {
                return Err(format!(
                    "`{pointer}` has a `~`; write ~0 for ~ and ~1 for /"
                ));
            }
        }
        Ok(Self(pointer.to_owned()))
    }

    pub fn find<'a>(&self, document: &'a Value) -> Option<&'a Value> {
        document.pointer(&self.0)
    }
}

impl std::fmt::Display for Pointer {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "\"{}\"", self.0)
    }
}

/// Where things stand in a payload.
///
/// With `records`, the payload carries an array and the other pointers start at each of its
/// elements; what an element has not (one time for all, say) is looked up in the whole payload.
#[derive(Debug, Clone)]
pub struct JsonPayload {
    pub records: Option<Pointer>,
    pub value: Pointer,
    pub time: Option<(Pointer, TimeFormat)>,
    pub name: Option<Pointer>,
    pub unit: Option<Pointer>,
    pub channel: ChannelTemplate,
    pub rule: ValueRule,
}

impl JsonPayload {
    pub fn decode(&self, topic: &str, payload: &[u8]) -> Vec<Decoded> {
        let document = match parse(payload) {
            Ok(document) => document,
            Err(reason) => return vec![Err(reason)],
        };
        let Some(records) = &self.records else {
            return vec![self.record(topic, &document, &document)];
        };
        match records.find(&document) {
            Some(Value::Array(elements)) => elements
                .iter()
                .map(|element| self.record(topic, element, &document))
                .collect(),
            _ => vec![Err(garbled(format!("there is no array at {records}")))],
        }
    }

    fn record(&self, topic: &str, element: &Value, document: &Value) -> Decoded {
        let find = |pointer: &Pointer| pointer.find(element).or_else(|| pointer.find(document));
        let unit = match &self.unit {
            None => None,
            Some(pointer) => Some(TemperatureUnit::from_label(&label(
                find(pointer),
                pointer,
                RefusalKind::UnknownUnit,
            )?)?),
        };
        let name = match &self.name {
            None => None,
            Some(pointer) => Some(label(find(pointer), pointer, RefusalKind::BadChannel)?),
        };
        let stamp = match &self.time {
            None => Stamp::Arrival,
            Some((pointer, format)) => read_time(find(pointer), pointer, format)?,
        };
        // A value is never taken from outside its record: it would be another record's.
        let content = self.read_value(self.value.find(element), unit)?;
        Ok(Record {
            channel: self.channel.render(topic, name.as_deref())?,
            stamp,
            content,
        })
    }

    fn read_value(
        &self,
        value: Option<&Value>,
        unit: Option<TemperatureUnit>,
    ) -> Result<Content, Reason> {
        let not_a_number = |said: &str| {
            Reason::new(
                RefusalKind::NotANumber,
                format!("the value at {} is {said}", self.value),
            )
        };
        match value {
            None => Err(garbled(format!("there is no value at {}", self.value))),
            Some(Value::Number(number)) => {
                let number = number
                    .as_f64()
                    .ok_or_else(|| not_a_number("out of range"))?;
                self.rule.read_number(number, unit)
            }
            Some(Value::String(text)) => self.rule.read(text, unit),
            // The logger is there and says that it has no value.
            Some(Value::Null) => Ok(Content::Fault(self.rule.null_fault())),
            Some(Value::Bool(_)) => Err(not_a_number("true or false")),
            Some(Value::Array(_)) => Err(not_a_number("an array")),
            Some(Value::Object(_)) => Err(not_a_number("an object")),
        }
    }
}

fn garbled(detail: String) -> Reason {
    Reason::new(RefusalKind::Garbled, detail)
}

/// A name or unit: text, or a number as many loggers count their channels.
fn label(value: Option<&Value>, pointer: &Pointer, kind: RefusalKind) -> Result<String, Reason> {
    match value {
        Some(Value::String(text)) => Ok(text.clone()),
        Some(Value::Number(number)) => Ok(number.to_string()),
        _ => Err(Reason::new(
            kind,
            format!("there is neither text nor number at {pointer}"),
        )),
    }
}

fn read_time(
    value: Option<&Value>,
    pointer: &Pointer,
    format: &TimeFormat,
) -> Result<Stamp, Reason> {
    let at = match value {
        Some(Value::String(text)) => format.read(text)?,
        Some(Value::Number(number)) => format.read_number(number.as_f64().unwrap_or(f64::NAN))?,
        None | Some(Value::Null) => {
            let detail = format!("there is no time at {pointer}");
            return Err(Reason::new(RefusalKind::TimeUnknown, detail));
        }
        Some(_) => {
            let detail = format!("what stands at {pointer} is no time");
            return Err(Reason::new(RefusalKind::BadTime, detail));
        }
    };
    Ok(Stamp::At(at))
}

/// A JSON document; `NaN` and its like, which some producers send, are refused by name.
pub(crate) fn parse(payload: &[u8]) -> Result<Value, Reason> {
    let text = text(payload)?;
    serde_json::from_str(text).map_err(|error| match non_finite_word(text) {
        Some(word) => Reason::new(
            RefusalKind::NotANumber,
            format!("`{word}` stands for a number; JSON has no such number"),
        ),
        None => garbled(format!("it is no JSON: {error}")),
    })
}

/// A word for a non-finite number that stands outside of strings.
fn non_finite_word(text: &str) -> Option<&'static str> {
    let mut in_string = false;
    let mut is_escaped = false;
    for (at, byte) in text.bytes().enumerate() {
        match byte {
            _ if is_escaped => is_escaped = false,
            b'\\' if in_string => is_escaped = true,
            b'"' => in_string = !in_string,
            b'N' | b'n' | b'I' | b'i' if !in_string => {
                let words = ["NaN", "nan", "Infinity", "inf"];
                let found = words.into_iter().find(|word| text[at..].starts_with(word));
                if found.is_some() {
                    return found;
                }
            }
            _ => {}
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::decode::value::FaultWords;
    use crate::delivery::FaultWord;

    fn pointer(text: &str) -> Pointer {
        Pointer::parse(text).expect("a good pointer")
    }

    fn payload(records: Option<&str>) -> JsonPayload {
        JsonPayload {
            records: records.map(pointer),
            value: pointer("/v"),
            time: Some((pointer("/t"), TimeFormat::EpochS)),
            name: Some(pointer("/ch")),
            unit: None,
            channel: ChannelTemplate::parse("{1}/{name}").expect("a good template"),
            rule: ValueRule {
                fault_words: FaultWords::own(),
                ..ValueRule::default()
            },
        }
    }

    fn only(decoded: Vec<Decoded>) -> Decoded {
        assert_eq!(decoded.len(), 1);
        decoded.into_iter().next().expect("one record")
    }

    /// Source: RFC 6901, section 5, as repeated in the test file of the jsonpointer 2.4 package.
    /// Mark: seen.
    #[test]
    fn the_table_of_rfc_6901_is_followed() {
        let document = json!({
            "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
            "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8
        });
        let cases = [
            ("", document.clone()),
            ("/foo", json!(["bar", "baz"])),
            ("/foo/0", json!("bar")),
            ("/", json!(0)),
            ("/a~1b", json!(1)),
            ("/c%d", json!(2)),
            ("/e^f", json!(3)),
            ("/g|h", json!(4)),
            ("/i\\j", json!(5)),
            ("/k\"l", json!(6)),
            ("/ ", json!(7)),
            ("/m~0n", json!(8)),
        ];
        for (text, expected) in cases {
            assert_eq!(pointer(text).find(&document), Some(&expected), "{text}");
        }
    }

    /// Source: RFC 6901, section 4 (index `-` is past the end; no leading zeros; ~1 before ~0).
    /// Mark: from memory.
    #[test]
    fn an_index_past_the_end_and_an_escaped_tilde_are_read_as_rfc_6901_says() {
        let document = json!({"foo": ["bar"], "~1": "tilde one"});
        for past in ["/foo/-", "/foo/1", "/foo/00", "/foo/0/x"] {
            assert_eq!(pointer(past).find(&document), None, "{past}");
        }
        assert_eq!(pointer("/~01").find(&document), Some(&json!("tilde one")));
        for bad in ["foo", "/a~", "/a~2b"] {
            assert!(Pointer::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_number_a_numeric_string_and_a_fault_word_are_read() {
        let cases = [
            (
                r#"{"ch":"7","v":21.5,"t":1276020071.001}"#,
                Content::TemperatureC(21.5),
            ),
            (
                r#"{"ch":7,"v":"21.5","t":"1276020071.001"}"#,
                Content::TemperatureC(21.5),
            ),
            (
                r#"{"ch":7,"v":"open","t":1276020071.001}"#,
                Content::Fault(FaultWord::Open),
            ),
        ];
        for (text, content) in cases {
            let record = only(payload(None).decode("b3/x", text.as_bytes())).expect(text);
            assert_eq!(record.channel, "b3/7");
            assert_eq!(record.content, content);
            let Stamp::At(at) = record.stamp else {
                panic!("no time in {text}")
            };
            assert_eq!(at.timestamp_millis(), 1_276_020_071_001);
        }
    }

    #[test]
    fn records_share_what_the_payload_says_once() {
        let text = r#"{"t":1276020071,
            "r":[{"ch":1,"v":20},{"ch":2,"v":null},{"ch":3,"v":22,"t":1276020072}]}"#;
        let decoded = payload(Some("/r")).decode("b3", text.as_bytes());
        let shown: Vec<_> = decoded
            .iter()
            .map(|record| match record {
                Ok(Record {
                    channel,
                    content: Content::Fault(word),
                    ..
                }) => {
                    format!("{channel} {}", word.as_str())
                }
                Ok(Record {
                    channel,
                    stamp: Stamp::At(at),
                    ..
                }) => {
                    format!("{channel} {}", at.timestamp())
                }
                Ok(Record { channel, .. }) => channel.clone(),
                Err(reason) => reason.kind.as_str().to_owned(),
            })
            .collect();
        assert_eq!(shown, ["b3/1 1276020071", "b3/2 fault", "b3/3 1276020072"]);
        assert!(payload(Some("")).decode("b3", b"[]").is_empty());
    }

    #[test]
    fn bad_payloads_are_refused_by_name() {
        let cases = [
            ("", RefusalKind::Garbled),
            ("{", RefusalKind::Garbled),
            ("{}", RefusalKind::BadChannel),
            (
                r#"{"ch":1,"v":NaN,"t":1276020071}"#,
                RefusalKind::NotANumber,
            ),
            (
                r#"{"ch":"a\"NaN","v":-Infinity,"t":1}"#,
                RefusalKind::NotANumber,
            ),
            (r#"{"ch":"NaN","v":}"#, RefusalKind::Garbled),
            (r#"{"ch":1,"v":1}"#, RefusalKind::TimeUnknown),
            (r#"{"ch":1,"v":1,"t":null}"#, RefusalKind::TimeUnknown),
            (r#"{"ch":1,"v":1,"t":[]}"#, RefusalKind::BadTime),
            (r#"{"ch":1,"v":true,"t":1}"#, RefusalKind::NotANumber),
            (r#"{"ch":1,"v":"NaN","t":1}"#, RefusalKind::NotANumber),
            (r#"{"ch":1,"t":1}"#, RefusalKind::Garbled),
        ];
        for (text, kind) in cases {
            let reason = only(payload(None).decode("b", text.as_bytes())).expect_err(text);
            assert_eq!(reason.kind, kind, "{text}");
        }
        let reason = only(payload(Some("/r")).decode("b", b"{\"r\":{}}")).expect_err("no array");
        assert_eq!(reason.kind, RefusalKind::Garbled);
    }

    #[test]
    fn nesting_without_end_is_refused_and_not_a_crash() {
        let text = "[".repeat(100_000);
        let reason = only(payload(None).decode("b", text.as_bytes())).expect_err("nested");
        assert_eq!(reason.kind, RefusalKind::Garbled);
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = payload(None).decode("b", &bytes);
        }

        #[test]
        fn no_text_near_json_makes_it_panic(text in r#"[\[\]{}",:a-zNI\\0-9.eé-]{0,60}"#) {
            let _ = payload(Some("")).decode("b", text.as_bytes());
        }
    }
}
