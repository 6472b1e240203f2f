//! Bytes to records: pure, one file per form, no byte string may make them panic.

pub mod channel;
pub mod csv;
pub mod json;
pub mod line;
pub mod plain;
pub mod senml;
pub mod time;
pub mod value;

use chrono::{DateTime, Utc};

use crate::delivery::{Content, Item, Refusal, RefusalKind, SourceReading, Via};

/// One reading as it stands in a line or payload, before its time is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    pub channel: String,
    pub stamp: Stamp,
    pub content: Content,
}

/// What a record says of its time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stamp {
    At(DateTime<Utc>),
    /// So many milliseconds after "now", which is the time of arrival; mostly negative.
    SinceArrivalMs(i64),
    /// Nothing: only the arrival can tell.
    Arrival,
}

/// Why a record could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    pub kind: RefusalKind,
    pub detail: String,
}

impl Reason {
    pub fn new(kind: RefusalKind, detail: impl Into<String>) -> Self {
        Self {
            kind,
            detail: detail.into(),
        }
    }
}

pub type Decoded = Result<Record, Reason>;

/// How and when something came, for all records in it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arrival<'a> {
    pub received_at: DateTime<Utc>,
    /// True where nothing can have waited between logger and daemon: the arrival is the time.
    pub is_the_time: bool,
    pub via: Via,
    pub came: &'a [u8],
    /// Put before each refusal's detail, such as the topic.
    pub context: &'a str,
}

impl Arrival<'_> {
    pub fn item(&self, decoded: Decoded) -> Item {
        let read = decoded.and_then(|record| {
            let measured_at = self.measured_at(record.stamp)?;
            Ok(SourceReading {
                channel: record.channel,
                measured_at,
                content: record.content,
                via: self.via,
            })
        });
        match read {
            Ok(reading) => Item::Reading(reading),
            Err(reason) => Item::Refused(self.refusal(&reason)),
        }
    }

    pub fn refusal(&self, reason: &Reason) -> Refusal {
        let detail = if self.context.is_empty() {
            reason.detail.clone()
        } else {
            format!("{}: {}", self.context, reason.detail)
        };
        Refusal::new(reason.kind, detail, self.came)
    }

    fn measured_at(&self, stamp: Stamp) -> Result<Option<DateTime<Utc>>, Reason> {
        let offset_ms = match stamp {
            Stamp::At(at) => return Ok(Some(at)),
            Stamp::SinceArrivalMs(offset_ms) if self.is_the_time => offset_ms,
            Stamp::Arrival if self.is_the_time => return Ok(None),
            Stamp::SinceArrivalMs(_) | Stamp::Arrival => {
                return Err(Reason::new(
                    RefusalKind::TimeUnknown,
                    "it names no time, and it may have waited at the broker before it came",
                ));
            }
        };
        let arrived_ms = self.received_at.timestamp_millis();
        let measured_at = arrived_ms.checked_add(offset_ms).and_then(time::instant);
        measured_at.map(Some).ok_or_else(|| {
            Reason::new(
                RefusalKind::BadTime,
                format!("{offset_ms} ms from its arrival is no usable time"),
            )
        })
    }
}

/// The text of a line or payload.
pub(crate) fn text(bytes: &[u8]) -> Result<&str, Reason> {
    std::str::from_utf8(bytes).map_err(|error| {
        let at = error.valid_up_to() + 1;
        Reason::new(RefusalKind::Garbled, format!("byte {at} is not UTF-8 text"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn arrival(is_the_time: bool) -> Arrival<'static> {
        Arrival {
            received_at: DateTime::from_timestamp_millis(1_000_000).expect("a valid time"),
            is_the_time,
            via: Via::Mqtt,
            came: b"21.5",
            context: "topic b/1",
        }
    }

    fn record(stamp: Stamp) -> Decoded {
        Ok(Record {
            channel: "b/1".to_owned(),
            stamp,
            content: Content::TemperatureC(21.5),
        })
    }

    #[test]
    fn a_record_without_time_is_refused_where_it_may_have_waited() {
        for stamp in [Stamp::Arrival, Stamp::SinceArrivalMs(-5000)] {
            let Item::Refused(refusal) = arrival(false).item(record(stamp)) else {
                panic!("{stamp:?} was read");
            };
            assert_eq!(refusal.kind, RefusalKind::TimeUnknown);
            assert!(
                refusal.detail.starts_with("topic b/1: "),
                "{}",
                refusal.detail
            );
        }
    }

    #[test]
    fn a_relative_time_counts_from_the_arrival() {
        let Item::Reading(reading) = arrival(true).item(record(Stamp::SinceArrivalMs(-5000)))
        else {
            panic!("refused");
        };
        assert_eq!(
            reading.measured_at.map(|at| at.timestamp_millis()),
            Some(995_000)
        );
        let Item::Reading(reading) = arrival(true).item(record(Stamp::Arrival)) else {
            panic!("refused");
        };
        assert_eq!(reading.measured_at, None);
    }

    #[test]
    fn a_relative_time_out_of_all_range_is_refused_by_name() {
        let item = arrival(true).item(record(Stamp::SinceArrivalMs(i64::MIN)));
        assert!(matches!(
            item,
            Item::Refused(Refusal {
                kind: RefusalKind::BadTime,
                ..
            })
        ));
    }
}
