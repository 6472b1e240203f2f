//! What lies ahead of each position by itself, for those who ask for one pour in depth.

use crate::ahead::{PositionAhead, PositionAheadPoint};
use crate::forecast::Usable;
use crate::forecast::ahead::{MEMBER_COUNT, spread};
use crate::forecast::future::{Body, Course, Night};
use crate::time::UtcMs;

/// What all futures have at one moment and position.
#[derive(Default)]
struct Moment {
    temperature_c: Vec<f64>,
    maturity: Vec<f64>,
    strength_mpa: Vec<f64>,
}

impl Moment {
    fn add(&mut self, body: &Body, night: &Night<'_>) {
        self.temperature_c.push(body.read_c);
        self.maturity.push(body.maturity());
        self.strength_mpa.push(body.strength_mpa(night.curve));
    }
}

/// Each whole hour from now on, position by position.
pub(super) fn look(
    usable: &[Usable<'_>],
    night: &Night<'_>,
    until_h: f64,
    now: UtcMs,
) -> Vec<PositionAhead> {
    let course = Course::of_all(until_h, None);
    let mut hours_ahead: Vec<f64> = Vec::new();
    let mut moments: Vec<Vec<Moment>> = usable.iter().map(|_| Vec::new()).collect();
    for member in 0..MEMBER_COUNT {
        let mut index = 0;
        night.live(member, &course, |hours, bodies, _| {
            if (hours - hours.round()).abs() > 1e-6 {
                return;
            }
            if index == hours_ahead.len() {
                hours_ahead.push(hours);
            }
            for (body, moments) in bodies.iter().zip(&mut moments) {
                moments.resize_with(hours_ahead.len(), Moment::default);
                moments[index].add(body, night);
            }
            index += 1;
        });
    }
    let points = |moments: Vec<Moment>| {
        let moments = hours_ahead.iter().zip(moments);
        let point = |(hours, moment): (&f64, Moment)| PositionAheadPoint {
            at: now.plus_hours(*hours),
            temperature_c: spread(moment.temperature_c),
            maturity: spread(moment.maturity),
            strength_mpa: spread(moment.strength_mpa),
        };
        moments.map(point).collect()
    };
    let of_each = usable.iter().zip(moments);
    of_each
        .map(|(one, moments)| PositionAhead {
            position: one.known.index,
            points: points(moments),
        })
        .collect()
}
