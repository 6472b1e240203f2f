//! A time of day at the plant, written `HH:MM`, on the afternoon of a night or the morning after.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, TimeZone, Timelike, Utc};
use serde::{Deserialize, Deserializer, de::Error};

/// A local time of day within a night that runs from noon to noon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LocalTime(NaiveTime);

impl LocalTime {
    /// The instant on the night that begins on `night`: before noon means the next morning.
    pub fn on(self, night: NaiveDate, zone: chrono_tz::Tz) -> DateTime<Utc> {
        let date = if self.0.hour() < 12 {
            night + Days::new(1)
        } else {
            night
        };
        let local = date.and_time(self.0);
        // An hour that a clock change skips is taken as the hour after it.
        zone.from_local_datetime(&local)
            .earliest()
            .or_else(|| {
                zone.from_local_datetime(&(local + TimeDelta::hours(1)))
                    .earliest()
            })
            .map_or_else(|| local.and_utc(), |instant| instant.with_timezone(&Utc))
    }

    /// Minutes since the noon at which the night began.
    pub fn minutes_after_noon(self) -> u32 {
        (self.0.hour() * 60 + self.0.minute() + 720) % 1440
    }
}

impl<'de> Deserialize<'de> for LocalTime {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        NaiveTime::parse_from_str(&text, "%H:%M")
            .map(Self)
            .map_err(|_| D::Error::custom(format!("{text} is not a time of day written HH:MM")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn on(hour: u32, minute: u32, night: &str) -> String {
        let time = LocalTime(NaiveTime::from_hms_opt(hour, minute, 0).expect("time"));
        let night = night.parse().expect("date");
        time.on(night, chrono_tz::America::Chicago).to_rfc3339()
    }

    #[test]
    fn mornings_belong_to_the_night_before() {
        assert_eq!(on(13, 0, "2026-11-24"), "2026-11-24T19:00:00+00:00");
        assert_eq!(on(5, 30, "2026-11-24"), "2026-11-25T11:30:00+00:00");
    }

    #[test]
    fn a_clock_change_within_the_night_is_honoured() {
        assert_eq!(on(18, 0, "2026-10-31"), "2026-10-31T23:00:00+00:00");
        assert_eq!(on(5, 0, "2026-10-31"), "2026-11-01T11:00:00+00:00");
        assert_eq!(on(2, 30, "2026-03-07"), "2026-03-08T08:30:00+00:00");
    }
}
