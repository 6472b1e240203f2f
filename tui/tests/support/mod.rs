//! An invented yard as snapshots, and the dashboard's state driven through events.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use daemon_api::act::{
    ChannelRole, CylinderSet, HeatPlan, Requirement, SetPurpose, SetStorage, StrengthAct,
};
use daemon_api::ahead::{
    AheadPoint, AheadView, BindingReason, ChanceView, HeatAdviceView, HeatCounsel, LimitAheadView,
    PassView, PositionAheadPoint, PositionAheadView, SpreadView, WindowView,
};
use daemon_api::alarm::{AlarmView, SnoozedView};
use daemon_api::bed::{BedView, PlantSnapshot, PlantView, StoreView};
use daemon_api::pour::{
    BreakTimeView, BreakView, ChannelView, ConfirmationView, CurveView, CylinderSetView,
    EstimateView, ForecastView, LimitsView, NoteView, PositionView, PourStatus, PourView,
    SwitchView, TrustView,
};
use daemon_api::series::{Series, SeriesAnswer, SeriesPoint, StrengthPoint};
use daemon_api::source::{RefusalCount, RefusalView, SourceView};
use daemon_api::trouble::{TroubleView, Urgency};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use tui::event::{Connection, Event, Request};
use tui::state::{Settings, State};
use tui::theme::Theme;
use units::{Megapascal, Show as _, UnitSystem};
use uuid::Uuid;

/// Small and large, the two sizes at which every screen is captured.
pub const SMALL: (u16, u16) = (80, 24);
pub const LARGE: (u16, u16) = (140, 45);

/// 02:14 at the plant.
pub fn now() -> DateTime<Utc> {
    "2026-11-26T08:14:00Z".parse().expect("an instant")
}

pub fn minutes_ago(minutes: i64) -> DateTime<Utc> {
    now() - TimeDelta::minutes(minutes)
}

pub fn in_minutes(minutes: i64) -> DateTime<Utc> {
    now() + TimeDelta::minutes(minutes)
}

fn good() -> TrustView {
    TrustView {
        verdict: "good".to_owned(),
        ..TrustView::default()
    }
}

pub fn position(name: &str, station_m: f64, temperature_c: f64, estimate_mpa: f64) -> PositionView {
    PositionView {
        position: name.to_owned(),
        station_m,
        place: "stem".to_owned(),
        depth_mm: Some(150.0),
        channel: Some(format!("ch-{name}")),
        temperature_c: Some(temperature_c),
        measured_at: Some(minutes_ago(1)),
        rate_c_per_h: Some(3.2),
        highest_c: Some(temperature_c + 1.0),
        highest_unproven: false,
        time_zero_at: Some(minutes_ago(720)),
        required_mpa: Some(24.13),
        estimate: EstimateView {
            kind: "within".to_owned(),
            estimate_mpa: Some(estimate_mpa),
            lower_90_mpa: Some(estimate_mpa - 2.0),
            maturity: Some(480.0),
            maturity_low: Some(470.0),
            reason: None,
        },
        likely_at: Some(in_minutes(150)),
        trust: good(),
        bridged_h: 0.0,
        excluded: None,
        confirmed: false,
    }
}

/// A pour under cure with three positions, of which the last governs.
pub fn pour(bed: &str) -> PourView {
    let positions = vec![
        position("P1", 6.1, 58.0, 25.3),
        position("P2", 30.5, 56.4, 24.6),
        position("P3", 57.9, 49.0, 21.7),
    ];
    PourView {
        pour: format!("{bed}-77"),
        bed: bed.to_owned(),
        line: bed.to_owned(),
        line_pours: vec![format!("{bed}-77")],
        layer: None,
        mix: "DT-45".to_owned(),
        status: PourStatus::Curing,
        status_words: "curing".to_owned(),
        from_station_m: 0.0,
        to_station_m: 60.96,
        first_placement_at: Some(minutes_ago(730)),
        last_placement_at: Some(minutes_ago(650)),
        begins_at: Some(minutes_ago(730)),
        wanted_release_at: Some(in_minutes(196)),
        required: vec![Requirement {
            act: StrengthAct::Release,
            strength_mpa: 24.13,
        }],
        release_strength_mpa: Some(24.13),
        pieces: Vec::new(),
        loads: Vec::new(),
        section: None,
        heat_plan: Some(HeatPlan {
            on_at: Some(minutes_ago(500)),
            rise_c_per_h: Some(20.0),
            soak_c: Some(60.0),
            off_at: Some(in_minutes(60)),
        }),
        without_heat: false,
        heat: Some(SwitchView {
            on: true,
            since: minutes_ago(498),
        }),
        tarp_lifted: None,
        limits: LimitsView {
            name: Some("double tee".to_owned()),
            concrete_c_max: Some(70.0),
            rise_c_per_h_max: Some(22.0),
            cooling_c_per_h_max: None,
            difference_c_max: Some(20.0),
            concrete_c_min: None,
            ..LimitsView::default()
        },
        curve: CurveView {
            digest: Some("5f1c".to_owned()),
            name: Some("DT-45 of September".to_owned()),
            standing: "approved".to_owned(),
            advisory: None,
            drift: None,
            usable: true,
            maturity_unit: Some("°C·h".to_owned()),
            note: "Approved by the lab.".to_owned(),
        },
        estimate: positions[2].estimate.clone(),
        estimate_disagreed: false,
        governing_position: Some("P3".to_owned()),
        forecast: ForecastView {
            early_at: Some(in_minutes(116)),
            likely_at: Some(in_minutes(146)),
            late_at: Some(in_minutes(186)),
            pass_probability_now: Some(0.04),
            break_from_at: Some(in_minutes(190)),
            break_probability: 0.9,
            break_times: [
                (146, 0.5, "even", "50 % to pass"),
                (190, 0.91, "aimed", "91 % to pass"),
                (196, 0.93, "wanted", "93 % to pass, at the wanted time"),
            ]
            .map(|(minutes, probability, kind, words)| BreakTimeView {
                at: in_minutes(minutes),
                probability,
                kind: kind.to_owned(),
                words: words.to_owned(),
            })
            .to_vec(),
            unproven_since: None,
            reason: None,
            lacks: vec!["nothing reads the yard: it is guessed".to_owned()],
            pours_of_bed: 6,
            breaks_of_mix: 1,
            by_curve: WindowView {
                early_at: Some(in_minutes(122)),
                likely_at: Some(in_minutes(141)),
                late_at: Some(in_minutes(168)),
            },
            chances: [(0.1, 116), (0.3, 134), (0.5, 146), (0.7, 160), (0.9, 186)]
                .map(|(probability, minutes)| ChanceView {
                    probability,
                    at: Some(in_minutes(minutes)),
                })
                .to_vec(),
            passes: [(1.0, 0.12), (2.0, 0.41), (4.0, 0.97)]
                .map(|(in_h, probability)| PassView { in_h, probability })
                .to_vec(),
            ahead: ahead(),
        },
        positions,
        other_channels: vec![ChannelView {
            channel: format!("{bed}-09"),
            role: ChannelRole::Enclosure,
            set: None,
            temperature_c: Some(61.0),
            measured_at: Some(minutes_ago(1)),
            trust: good(),
        }],
        cylinder_sets: vec![CylinderSetView {
            made: CylinderSet {
                set: "A".to_owned(),
                purpose: SetPurpose::Release,
                specimens: vec!["A1".to_owned(), "A2".to_owned()],
                storage: SetStorage::UnderTarp,
                follows_position: None,
                loads: Vec::new(),
                diameter_mm: 101.6,
                length_mm: 203.2,
            },
            broken_count: 0,
            left_count: 2,
            breaks: Vec::new(),
        }],
        confirmation: ConfirmationView {
            state: "no-break".to_owned(),
            outcome: "not-broken".to_owned(),
            short: "no break yet".to_owned(),
            shortest: "no break yet".to_owned(),
            words: "No cylinder is broken yet: only a passing set can confirm this line."
                .to_owned(),
            release_specimens_left: 2,
            ..ConfirmationView::default()
        },
        release_holds: vec![NoteView {
            kind: "no-confirming-break".to_owned(),
            text: "No passing break confirms this line.".to_owned(),
        }],
        breaches: Vec::new(),
        piece_holds: Vec::new(),
        cautions: Vec::new(),
        release: None,
        withdrawn: Vec::new(),
    }
}

/// The id of the break of [`break_of`].
pub fn break_id() -> Uuid {
    "019aa7c0-0000-7000-8000-000000000001"
        .parse()
        .expect("an id")
}

/// A break of set A.
pub fn break_of(mean_mpa: f64, passes: bool) -> BreakView {
    let us = UnitSystem::Us;
    let told = format!(
        "{} of {}",
        Megapascal(mean_mpa).show(us),
        Megapascal(24.13).show(us)
    );
    BreakView {
        id: break_id(),
        by: "Q. Lane".to_owned(),
        tested_at: minutes_ago(20),
        strengths_mpa: vec![mean_mpa - 0.3, mean_mpa + 0.3],
        mean_mpa,
        required_mpa: 24.13,
        passes,
        says: if passes { "passes" } else { "failed" }.to_owned(),
        words: format!("{told}: {}", if passes { "passes" } else { "FAILED" }),
        short: format!("{}: {told}", if passes { "passes" } else { "FAILED" }),
        confirms: Vec::new(),
        decided: None,
        pooled_mean_mpa: None,
        estimate_mpa: Some(24.5),
        ratio: Some(mean_mpa / 24.5),
        has_history: true,
        notes: Vec::new(),
    }
}

/// The pour with cylinders that passed and a release that nobody has signed.
pub fn confirmed(bed: &str) -> PourView {
    let mut pour = pour(bed);
    pour.status = PourStatus::Confirmed;
    pour.cylinder_sets[0].breaks = vec![break_of(24.96, true)];
    pour.cylinder_sets[0].broken_count = 2;
    pour.cylinder_sets[0].left_count = 0;
    pour.status_words = "cylinders passed, not released".to_owned();
    pour.forecast.break_from_at = None;
    pour.forecast.break_times.clear();
    pour.confirmation = ConfirmationView {
        state: "confirmed".to_owned(),
        outcome: "confirmed".to_owned(),
        short: "passed: 3620 psi of 3500 psi".to_owned(),
        shortest: "passed".to_owned(),
        words: "Set A passed and confirms every position; the release is not signed.".to_owned(),
        breaks: vec![break_id()],
        ..ConfirmationView::default()
    };
    pour.release_holds.clear();
    pour
}

/// The pour after a set that failed.
pub fn failed(bed: &str) -> PourView {
    let mut pour = pour(bed);
    pour.cylinder_sets[0].breaks = vec![break_of(22.75, false)];
    pour.status_words = "break FAILED, curing".to_owned();
    pour.estimate_disagreed = true;
    pour.confirmation.state = "failed".to_owned();
    pour.confirmation.outcome = "failed".to_owned();
    pour.confirmation.short = "FAILED: 3300 psi of 3500 psi".to_owned();
    pour.confirmation.shortest = "FAILED".to_owned();
    pour.confirmation.words =
        "Set A failed: break another set later; nothing is confirmed.".to_owned();
    pour
}

pub fn trouble(bed: &str, urgency: Urgency, what: &str) -> TroubleView {
    TroubleView {
        id: format!("{bed}-{what}"),
        kind: "sensor-silent".to_owned(),
        urgency,
        bed: Some(bed.to_owned()),
        pour: Some(format!("{bed}-77")),
        place: what.split(' ').next().map(str::to_owned),
        what: what.to_owned(),
        since: minutes_ago(24),
        first_act: "Look at the plug of P3 and at the logger's lamp.".to_owned(),
        alarm: None,
    }
}

/// The trouble with an alarm that stands as told.
pub fn alarmed(mut trouble: TroubleView, word: &str) -> TroubleView {
    trouble.alarm = Some(AlarmView {
        word: word.to_owned(),
        active: word != "cleared",
        raised_at: trouble.since,
        rang_at: None,
        rang_as: trouble.urgency,
        cleared_at: (word == "cleared").then(|| minutes_ago(3)),
        seen_by: (word == "seen").then(|| "R. Field".to_owned()),
        seen_at: (word == "seen").then(|| minutes_ago(9)),
        latched: word == "cleared",
        snoozed: (word == "snoozed").then(|| SnoozedView {
            until_at: in_minutes(76),
            by: "R. Field".to_owned(),
            why: "the electrician is on his way".to_owned(),
        }),
        explained_by: None,
    });
    trouble
}

pub fn bed(order: usize, name: &str, pours: Vec<PourView>) -> BedView {
    BedView {
        bed: name.to_owned(),
        order,
        length_m: 61.0,
        pours,
        troubles: Vec::new(),
    }
}

pub fn snapshot(beds: Vec<BedView>) -> PlantSnapshot {
    PlantSnapshot {
        sequence: 7,
        acts_through: 41,
        plant: PlantView {
            name: "Larkfield yard".to_owned(),
            zone: "America/Chicago".to_owned(),
            units: "us".to_owned(),
            now: now(),
            clock_speed: 1.0,
            simulated: false,
            version: "0.1.0".to_owned(),
            store: StoreView {
                writing: true,
                problem: None,
                since: None,
            },
        },
        troubles: Vec::new(),
        cleared: Vec::new(),
        beds,
        sources: vec![
            SourceView {
                source: "logger-n1".to_owned(),
                via: "serial".to_owned(),
                up: true,
                since: Some(minutes_ago(900)),
                problem: None,
                reading_count: 7312,
                last_reading_at: Some(minutes_ago(1)),
                refusals: vec![RefusalCount {
                    kind: "garbled".to_owned(),
                    count: 3,
                }],
                last_refusal: Some(RefusalView {
                    kind: "garbled".to_owned(),
                    detail: "the line does not match the logger's pattern".to_owned(),
                    sample: "N1-0\u{1b}[2J58.".to_owned(),
                    received_at: minutes_ago(31),
                }),
            },
            SourceView {
                source: "yard-broker".to_owned(),
                via: "mqtt".to_owned(),
                up: false,
                since: Some(minutes_ago(4)),
                problem: Some("connection refused".to_owned()),
                reading_count: 40_211,
                last_reading_at: Some(minutes_ago(5)),
                refusals: Vec::new(),
                last_refusal: None,
            },
        ],
    }
}

/// A normal night: an empty bed, pours under cure, one confirmed, one failed.
pub fn normal() -> PlantSnapshot {
    let mut not_yet = pour("N2");
    not_yet.status = PourStatus::Placing;
    not_yet.status_words = "placing".to_owned();
    not_yet.estimate = EstimateView {
        kind: "not-yet".to_owned(),
        reason: Some("below the curve's first data".to_owned()),
        ..EstimateView::default()
    };
    not_yet.forecast = ForecastView {
        reason: Some("the last load is not down".to_owned()),
        ..ForecastView::default()
    };
    let mut due = pour("S1");
    due.status = PourStatus::BreakDue;
    due.status_words = "break due".to_owned();
    snapshot(vec![
        bed(0, "N1", vec![pour("N1")]),
        bed(1, "N2", vec![not_yet]),
        bed(2, "N3", Vec::new()),
        bed(3, "N4", vec![confirmed("N4")]),
        bed(4, "S1", vec![due]),
        bed(5, "S2", vec![failed("S2")]),
    ])
}

/// A night in which a sensor of N1 is silent and N4 is too hot.
pub fn troubled() -> PlantSnapshot {
    let mut snapshot = normal();
    let silent = trouble("N1", Urgency::Soon, "P3 has been silent for 24 min.");
    let hot = trouble(
        "N4",
        Urgency::Now,
        "P1 is at 162 °F, above its limit of 158 °F.",
    );
    let look = trouble("S2", Urgency::Look, "P2 reads 2 °F above its neighbours.");
    snapshot.beds[0].troubles = vec![silent.clone()];
    snapshot.beds[3].troubles = vec![hot.clone()];
    snapshot.beds[5].troubles = vec![look.clone()];
    let third = &mut snapshot.beds[0].pours[0].positions[2];
    third.trust = TrustView {
        verdict: "rejected".to_owned(),
        reason: Some("silent".to_owned()),
        evidence: Some("no reading since 01:50".to_owned()),
        since: Some(minutes_ago(24)),
    };
    third.measured_at = Some(minutes_ago(24));
    snapshot.troubles = vec![hot, silent, look];
    snapshot
}

/// Forty beds, as many as a large yard has.
pub fn forty_beds() -> PlantSnapshot {
    let beds = (0..40)
        .map(|order| {
            let name = format!("B{:02}", order + 1);
            let mut pour = pour(&name);
            for at in 3..16_u8 {
                let station_m = f64::from(at) * 3.5;
                pour.positions
                    .push(position(&format!("P{}", at + 1), station_m, 55.0, 24.0));
            }
            bed(order, &name, vec![pour])
        })
        .collect();
    snapshot(beds)
}

/// A night whose heat may go off in an hour, and whose hottest position stays below its limit.
fn ahead() -> AheadView {
    AheadView {
        hottest: Some(LimitAheadView {
            position: Some("P1".to_owned()),
            worst: SpreadView {
                low: 60.2,
                middle: 62.0,
                high: 64.5,
            },
            likely_at: in_minutes(70),
            limit: Some(70.0),
            beyond_probability: Some(0.02),
            probability_without_heat: None,
        }),
        cooling: None,
        heat: Some(HeatAdviceView {
            wanted_at: in_minutes(240),
            on_time_probability: 0.97,
            aimed_probability: 0.9,
            counsel: HeatCounsel::OffFrom,
            earliest_off_at: Some(in_minutes(60)),
            earliest_is_bound_by: BindingReason::Strength,
            latest_off_at: None,
            longest_heat_probability: Some(0.98),
        }),
    }
}

fn spread(middle: f64, by: f64) -> SpreadView {
    SpreadView {
        low: middle - by,
        middle,
        high: middle + by,
    }
}

/// Twelve hours of series with a gap in P3, and fans of five hours.
pub fn series(pour: &str) -> SeriesAnswer {
    let from_at = minutes_ago(720);
    let at = |minute: i64| from_at + TimeDelta::minutes(minute);
    let curve = |minute: i64, top_c: f64| {
        let share = f64::from(i32::try_from(minute).expect("few minutes")) / 720.0;
        let c = 18.0 + (top_c - 18.0) * (1.0 - (-4.0 * share).exp());
        SeriesPoint {
            at: at(minute),
            low_c: c - 0.2,
            high_c: c + 0.2,
        }
    };
    let run = |minutes: std::ops::RangeInclusive<i64>, top_c: f64| {
        minutes
            .step_by(5)
            .map(|minute| curve(minute, top_c))
            .collect::<Vec<_>>()
    };
    let concrete = |name: &str, runs| Series {
        name: name.to_owned(),
        role: ChannelRole::Concrete,
        runs,
    };
    SeriesAnswer {
        pour: pour.to_owned(),
        from_at,
        to_at: now(),
        series: vec![
            concrete("P1", vec![run(0..=720, 59.0)]),
            concrete("P2", vec![run(0..=720, 57.0)]),
            concrete("P3", vec![run(0..=300, 50.0), run(420..=720, 50.0)]),
            Series {
                name: "enclosure".to_owned(),
                role: ChannelRole::Enclosure,
                runs: vec![run(0..=720, 62.0)],
            },
        ],
        strength: (300..=720)
            .step_by(10)
            .map(|minute| {
                let share = f64::from(i32::try_from(minute).expect("few minutes")) / 720.0;
                StrengthPoint {
                    at: at(minute),
                    estimate_mpa: 21.7 * share,
                    lower_90_mpa: 21.7 * share - 2.0,
                }
            })
            .collect(),
        confirmation: ConfirmationView::default(),
        ahead: (0..=5)
            .map(|hour| {
                let grown = f64::from(i32::try_from(hour).expect("few hours"));
                let spread = |middle| spread(middle, 0.8 * grown);
                AheadPoint {
                    at: now() + TimeDelta::hours(hour),
                    coolest_c: spread(50.0 + grown),
                    hottest_c: spread(59.0 + 0.5 * grown),
                    strength_mpa: spread(21.7 + 1.6 * grown),
                }
            })
            .collect(),
        positions_ahead: vec![PositionAheadView {
            position: "P1".to_owned(),
            points: (0..=1)
                .map(|hour| {
                    let grown = f64::from(i32::try_from(hour).expect("few hours"));
                    let spread = |middle| spread(middle, grown);
                    PositionAheadPoint {
                        at: now() + TimeDelta::hours(hour),
                        temperature_c: spread(59.0 + grown),
                        maturity: spread(12.0 + 2.2 * grown),
                        strength_mpa: spread(21.7 + 1.6 * grown),
                    }
                })
                .collect(),
        }],
    }
}

/// The dashboard's state, driven only through its events.
pub struct Dashboard {
    pub state: State,
    pub wall: Duration,
    pub theme: Theme,
}

impl Dashboard {
    pub fn of(snapshot: PlantSnapshot) -> Self {
        let settings = Settings {
            daemon: "http://127.0.0.1:7871".to_owned(),
            units: None,
            by: "Q. Lane".to_owned(),
            looked_at: None,
        };
        let mut dashboard = Self {
            state: State::new(settings),
            wall: Duration::ZERO,
            theme: Theme::COLOURED,
        };
        dashboard.event(Event::Connection(Connection::Snapshot(Box::new(snapshot))));
        dashboard
    }

    pub fn event(&mut self, event: Event) -> Vec<Request> {
        self.state.apply(event, self.wall)
    }

    /// Lets wall time pass without a word from the daemon.
    pub fn wait(&mut self, wall: Duration) {
        self.wall += wall;
        self.event(Event::Tick);
    }

    pub fn key(&mut self, code: KeyCode) -> Vec<Request> {
        self.event(Event::Key(KeyEvent::new(code, KeyModifiers::NONE)))
    }

    pub fn keys(&mut self, codes: &[KeyCode]) -> Vec<Request> {
        codes.iter().flat_map(|code| self.key(*code)).collect()
    }

    pub fn type_text(&mut self, text: &str) {
        for character in text.chars() {
            self.key(KeyCode::Char(character));
        }
    }

    /// Chooses a bed and opens it, with its series.
    pub fn open_bed(&mut self, bed: &str) {
        self.key(KeyCode::Char('y'));
        self.key(KeyCode::Home);
        while self.state.chosen.as_ref().is_some_and(|row| row.bed != bed) {
            self.key(KeyCode::Down);
        }
        self.key(KeyCode::Enter);
        let pour = format!("{bed}-77");
        let answer = Ok(Box::new(series(&pour)));
        self.event(Event::Series { pour, answer });
    }

    /// Draws a frame, as the loop does.
    pub fn draw(&mut self, (width, height): (u16, u16)) -> Buffer {
        let mut buf = Buffer::empty(Rect::new(0, 0, width, height));
        let drawn = tui::render(&mut buf, &self.state, self.theme);
        self.state.set_drawn(drawn);
        buf
    }

    pub fn screen(&mut self, size: (u16, u16)) -> String {
        text(&self.draw(size))
    }
}

/// The characters of a buffer; the invented yard has no wide ones.
pub fn text(buf: &Buffer) -> String {
    let mut text = String::new();
    for y in 0..buf.area.height {
        let line: String = (0..buf.area.width).map(|x| buf[(x, y)].symbol()).collect();
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}
