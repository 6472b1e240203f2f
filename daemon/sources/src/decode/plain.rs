//! A payload that is one number, with the channel's name from its topic.

use super::channel::ChannelTemplate;
use super::value::{TemperatureUnit, ValueRule};
use super::{Decoded, Record, Stamp, text};

/// `21.5`, `21.5 °C` or a fault word.
#[derive(Debug, Clone)]
pub struct PlainPayload {
    pub channel: ChannelTemplate,
    pub value: ValueRule,
}

impl PlainPayload {
    pub fn decode(&self, topic: &str, payload: &[u8]) -> Decoded {
        let channel = self.channel.render(topic, None)?;
        let text = text(payload)?.trim();
        // A fault word may end in the letter of a unit, so the whole text has the first try.
        let content = self.value.read(text, None).or_else(|whole| {
            let (number, unit) = TemperatureUnit::split_suffix(text);
            if unit.is_none() {
                Err(whole)
            } else {
                self.value.read(number, unit)
            }
        })?;
        Ok(Record {
            channel,
            stamp: Stamp::Arrival,
            content,
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::delivery::{Content, RefusalKind};

    fn plain() -> PlainPayload {
        let channel = ChannelTemplate::parse("{2}/{3}").expect("a good template");
        PlainPayload {
            channel,
            value: ValueRule::default(),
        }
    }

    #[test]
    fn a_number_with_or_without_unit_is_read_on_its_topics_channel() {
        let cases = [
            ("21.5", 21.5),
            ("21.5 °C", 21.5),
            ("212F\r\n", 100.0),
            ("-4e1degF", -40.0),
        ];
        for (payload, expected) in cases {
            let record = plain()
                .decode("t/bed-3/7", payload.as_bytes())
                .expect(payload);
            assert_eq!(record.channel, "bed-3/7");
            assert_eq!(record.content, Content::TemperatureC(expected), "{payload}");
            assert_eq!(record.stamp, Stamp::Arrival);
        }
    }

    #[test]
    fn noise_is_refused_by_name() {
        let cases: [(&str, &[u8], RefusalKind); 5] = [
            ("t/b/1", b"", RefusalKind::NotANumber),
            ("t/b/1", b"warm", RefusalKind::NotANumber),
            ("t/b/1", b"NaN", RefusalKind::NotANumber),
            ("t/b/1", b"21.5\xff", RefusalKind::Garbled),
            ("t/b", b"21.5", RefusalKind::BadChannel),
        ];
        for (topic, payload, kind) in cases {
            assert_eq!(
                plain().decode(topic, payload).expect_err("noise").kind,
                kind
            );
        }
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(
            topic in ".*", payload in proptest::collection::vec(any::<u8>(), 0..200),
        ) {
            let _ = plain().decode(&topic, &payload);
        }
    }
}
