//! Frames to bytes, in each logger's own words; the scenario module shows examples.

use chrono::{DateTime, SecondsFormat, Utc};
use serde_json::json;

use crate::instruments::{Frame, Reading, Value};
use crate::scenario::WireFormat;

/// What goes over one link at once.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// Absent on a serial line.
    pub topic: Option<String>,
    pub payload: Vec<u8>,
}

/// The messages that carry a frame, damaged where the frame says so.
pub fn encode(frame: &Frame) -> Vec<Message> {
    let mut messages = clean(frame);
    if let Some(damage) = frame.damage {
        for message in &mut messages {
            garble(&mut message.payload, damage);
        }
    }
    messages
}

fn clean(frame: &Frame) -> Vec<Message> {
    let logger = &frame.logger;
    let each = |encode: &dyn Fn(&Reading) -> Message| frame.readings.iter().map(encode).collect();
    let line = |text: String| Message {
        topic: None,
        payload: format!("{text}\r\n").into_bytes(),
    };
    let mqtt = |topic: String, text: String| Message {
        topic: Some(topic),
        payload: text.into_bytes(),
    };
    match frame.format {
        WireFormat::Line => each(&|reading| {
            line(match reading.value {
                Value::Celsius(value_c) => format!("{} {value_c:.2} C", reading.channel),
                Value::Open => format!("{} OPEN", reading.channel),
            })
        }),
        WireFormat::LineF => each(&|reading| {
            line(match reading.value {
                Value::Celsius(value_c) => {
                    format!("{} {:.2} F", reading.channel, value_c * 1.8 + 32.0)
                }
                Value::Open => format!("{} OPEN", reading.channel),
            })
        }),
        WireFormat::LineTimed => each(&|reading| {
            let at = stamp(reading.measured_at.unwrap_or(frame.sent_at));
            line(format!(
                "{at};{};{}",
                reading.channel,
                number(reading.value)
            ))
        }),
        WireFormat::Plain => each(&|reading| {
            mqtt(
                format!("plant/{logger}/{}", reading.channel),
                number(reading.value),
            )
        }),
        WireFormat::Json => each(&|reading| {
            mqtt(
                format!("plant/{logger}/reading"),
                json_record(frame, reading).to_string(),
            )
        }),
        WireFormat::JsonBatch => {
            let records = frame
                .readings
                .iter()
                .map(|reading| json_record(frame, reading));
            let pack = json!({ "logger": logger, "readings": records.collect::<Vec<_>>() });
            vec![mqtt(format!("plant/{logger}/readings"), pack.to_string())]
        }
        WireFormat::Senml => {
            vec![mqtt(
                format!("plant/{logger}/senml"),
                senml(frame).to_string(),
            )]
        }
    }
}

fn number(value: Value) -> String {
    match value {
        Value::Celsius(value_c) => format!("{value_c:.2}"),
        Value::Open => "OPEN".to_owned(),
    }
}

fn stamp(instant: DateTime<Utc>) -> String {
    instant.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

fn json_record(frame: &Frame, reading: &Reading) -> serde_json::Value {
    let value = match reading.value {
        Value::Celsius(value_c) => json!(value_c),
        Value::Open => json!(null),
    };
    json!({
        "channel": reading.channel,
        "at": stamp(reading.measured_at.unwrap_or(frame.sent_at)),
        "temperature_c": value,
    })
}

/// A pack as in RFC 8428: base name, base time and base unit stand in its first record.
fn senml(frame: &Frame) -> serde_json::Value {
    let base_name = format!("{}-", frame.logger);
    let measured_at = frame
        .readings
        .first()
        .and_then(|reading| reading.measured_at);
    let base_s = measured_at.unwrap_or(frame.sent_at).timestamp_millis() as f64 / 1000.0;
    let mut last_base = None;
    let records = frame.readings.iter().map(|reading| {
        let (base, name) = match reading.channel.strip_prefix(&base_name) {
            Some(rest) => (base_name.as_str(), rest),
            None => ("", reading.channel.as_str()),
        };
        let mut record = match reading.value {
            Value::Celsius(value_c) => json!({ "n": name, "v": value_c }),
            Value::Open => json!({ "n": name, "vs": "OPEN" }),
        };
        if last_base.is_none() {
            record["bt"] = json!(base_s);
            record["bu"] = json!("Cel");
        }
        if last_base != Some(base) {
            record["bn"] = json!(base);
            last_base = Some(base);
        }
        record
    });
    records.collect()
}

/// Damages a payload so that no decoder can take it for another value.
///
/// Bytes of a real line flip into anything; here one becomes a byte that UTF-8 never has, because
/// a test must know that a garbled message was refused and not read as a different number.
fn garble(payload: &mut Vec<u8>, damage: f64) {
    let place = (payload.len() as f64 * damage) as usize;
    let line_end = if payload.ends_with(b"\r\n") { 2 } else { 0 };
    let place = place.min(payload.len().saturating_sub(line_end + 1));
    if let Some(byte) = payload.get_mut(place) {
        *byte = 0xff;
    }
    if place > 2 {
        payload.remove(place - 1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(format: WireFormat, damage: Option<f64>) -> Frame {
        let at: DateTime<Utc> = "2026-11-25T03:10:00Z".parse().expect("instant");
        let measured_at = format.has_clock().then_some(at);
        let reading = |channel: &str, value| Reading {
            channel: channel.to_owned(),
            measured_at,
            value,
        };
        Frame {
            logger: "N1".to_owned(),
            format,
            sent_at: at,
            readings: vec![
                reading("N1-03", Value::Celsius(62.41)),
                reading("N1-04", Value::Open),
                reading("Y-01", Value::Celsius(-3.5)),
            ],
            damage,
        }
    }

    fn texts(format: WireFormat) -> Vec<(Option<String>, String)> {
        encode(&frame(format, None))
            .into_iter()
            .map(|message| {
                (
                    message.topic,
                    String::from_utf8(message.payload).expect("text"),
                )
            })
            .collect()
    }

    #[test]
    fn serial_lines_are_as_the_scenario_says() {
        let lines =
            |format| -> Vec<String> { texts(format).into_iter().map(|(_, text)| text).collect() };
        assert_eq!(
            lines(WireFormat::Line),
            ["N1-03 62.41 C\r\n", "N1-04 OPEN\r\n", "Y-01 -3.50 C\r\n"]
        );
        assert_eq!(lines(WireFormat::LineF)[0], "N1-03 144.34 F\r\n");
        assert_eq!(
            lines(WireFormat::LineTimed),
            [
                "2026-11-25T03:10:00Z;N1-03;62.41\r\n",
                "2026-11-25T03:10:00Z;N1-04;OPEN\r\n",
                "2026-11-25T03:10:00Z;Y-01;-3.50\r\n"
            ]
        );
    }

    #[test]
    fn mqtt_payloads_are_as_the_scenario_says() {
        let plain = texts(WireFormat::Plain);
        assert_eq!(
            plain[0],
            (Some("plant/N1/N1-03".to_owned()), "62.41".to_owned())
        );
        assert_eq!(plain[1].1, "OPEN");
        let (topic, text) = texts(WireFormat::Json).swap_remove(0);
        assert_eq!(topic.as_deref(), Some("plant/N1/reading"));
        let record: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let expected =
            json!({"channel": "N1-03", "at": "2026-11-25T03:10:00Z", "temperature_c": 62.41});
        assert_eq!(record, expected);
        let batch: serde_json::Value =
            serde_json::from_str(&texts(WireFormat::JsonBatch)[0].1).expect("JSON");
        assert_eq!(batch["readings"][0], expected);
        assert_eq!(batch["readings"][1]["temperature_c"], json!(null));
    }

    #[test]
    fn senml_records_resolve_to_the_readings() {
        let pack: serde_json::Value =
            serde_json::from_str(&texts(WireFormat::Senml)[0].1).expect("JSON");
        let expected = json!([
            { "bn": "N1-", "bt": 1_795_576_200.0, "bu": "Cel", "n": "03", "v": 62.41 },
            { "n": "04", "vs": "OPEN" },
            { "bn": "", "n": "Y-01", "v": -3.5 },
        ]);
        assert_eq!(pack, expected);
    }

    proptest::proptest! {
        #[test]
        fn a_garbled_message_is_never_text_but_keeps_its_line_end(
            value_c in -40.0..120.0,
            damage in 0.0..=1.0,
        ) {
            for format in [
                WireFormat::Line,
                WireFormat::LineF,
                WireFormat::LineTimed,
                WireFormat::Plain,
                WireFormat::Json,
                WireFormat::JsonBatch,
                WireFormat::Senml,
            ] {
                let mut frame = frame(format, Some(damage));
                frame.readings[0].value = Value::Celsius(value_c);
                for message in encode(&frame) {
                    assert!(String::from_utf8(message.payload.clone()).is_err());
                    assert_eq!(message.payload.ends_with(b"\r\n"), format.is_serial());
                }
            }
        }
    }
}
