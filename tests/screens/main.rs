//! What people see: the dashboard in a terminal, on a running daemon with a prepared night.

mod night;
mod readme;
mod terminal;
mod troubled;

use std::time::Duration;

use daemon_api::client::SILENCE_MAX;
use harness::wait_until;
use night::Night;
use terminal::{SIZES, Size, Terminal};

/// A slow machine may need long for a frame, but not this long.
const FRAME_WITHIN: Duration = Duration::from_secs(30);
/// The longest silence that the dashboard bears, a try to connect again, and a slow machine.
const LOSS_WITHIN: Duration = Duration::from_secs(60);

/// The screens that are captured, with the keys that lead there from the yard.
const SCREENS: [(&str, &[&str]); 6] = [
    ("yard", &["y"]),
    ("bed-1", &["y", "Home", "Enter"]),
    ("bed-2", &["y", "Down", "Enter"]),
    ("night", &["n"]),
    ("troubles", &["t"]),
    ("sources", &["s"]),
];

fn capture_night(name: &str, night: &Night) {
    for size in SIZES {
        let terminal = Terminal::open(&night.daemon.address(), size);
        for (screen, keys) in SCREENS {
            terminal.keys(keys);
            terminal.matches_file(&format!("{name}-{screen}-{size}"));
        }
    }
}

#[test]
fn a_normal_night_looks_as_checked_in() {
    capture_night("normal", &Night::stopped_at("2026-01-21T04:30:05Z"));
}

#[test]
fn a_night_in_trouble_looks_as_checked_in() {
    capture_night("trouble", &Night::stopped_at("2026-01-21T06:00:05Z"));
}

#[test]
fn a_night_with_a_passed_break_looks_as_checked_in() {
    capture_night("passed", &Night::stopped_at("2026-01-21T10:55:05Z"));
}

#[test]
fn a_plant_in_which_nothing_changes_is_not_said_to_be_silent() {
    let night = Night::stopped_at("2026-01-21T04:30:05Z");
    let terminal = Terminal::open(&night.daemon.address(), SIZES[0]);
    terminal.shows("SIMULATED");
    std::thread::sleep(SILENCE_MAX + Duration::from_secs(3));
    // A slow machine may be silent for a while, but not for good.
    wait_until("the daemon is heard", FRAME_WITHIN, || {
        let screen = terminal.screen();
        if screen.contains("NO WORD") {
            Err(screen)
        } else {
            Ok(())
        }
    });
}

/// Waits until the alarm line says so and the age of the data counts.
fn alarm_with_age(terminal: &Terminal, alarm: &str) {
    wait_until(alarm, LOSS_WITHIN, || {
        let screen = terminal.screen();
        let is_said = screen.lines().any(|line| line.contains(alarm));
        if is_said && !screen.contains(" 0 s old") {
            Ok(())
        } else {
            Err(screen)
        }
    });
}

fn is_back(terminal: &Terminal, alarm: &str) {
    wait_until("the alarm goes by itself", LOSS_WITHIN, || {
        let screen = terminal.screen();
        if screen.contains(alarm) {
            Err(screen)
        } else {
            Ok(())
        }
    });
}

#[test]
fn a_killed_daemon_leaves_the_last_with_its_age_and_its_return_is_noticed() {
    let mut night = Night::slow_from("2026-01-21T06:00:05Z");
    let terminals = SIZES.map(|size| Terminal::open(&night.daemon.address(), size));
    for terminal in &terminals {
        terminal.shows("no break yet");
    }
    night.daemon.kill();
    for terminal in &terminals {
        alarm_with_age(terminal, "DAEMON GONE");
        terminal.matches_file_masked(&format!("gone-yard-{}", terminal.size()));
    }
    night.daemon.resume();
    for terminal in &terminals {
        is_back(terminal, "DAEMON GONE");
    }
}

#[test]
fn a_silent_daemon_is_said_to_be_silent_until_it_speaks_again() {
    let night = Night::slow_from("2026-01-21T06:00:05Z");
    let terminals = SIZES.map(|size| Terminal::open(&night.daemon.address(), size));
    for terminal in &terminals {
        terminal.shows("no break yet");
    }
    let halted = night.halt();
    for terminal in &terminals {
        alarm_with_age(terminal, "NO WORD FROM THE DAEMON");
        terminal.matches_file_masked(&format!("stale-yard-{}", terminal.size()));
    }
    drop(halted);
    for terminal in &terminals {
        is_back(terminal, "NO WORD");
    }
}

#[test]
fn both_unit_systems_and_no_colour_are_a_key_and_a_variable_away() {
    let night = Night::stopped_at("2026-01-21T06:00:05Z");
    let coloured = Terminal::open(&night.daemon.address(), Size::SMALL);
    coloured.shows("psi");
    assert!(
        coloured.has_colour(),
        "trouble is coloured:\n{}",
        coloured.screen()
    );
    coloured.keys(&["u"]);
    coloured.shows("MPa");
    let plain = Terminal::open_plain(&night.daemon.address(), Size::SMALL);
    plain.shows("psi");
    assert!(!plain.has_colour(), "NO_COLOR is set:\n{}", plain.screen());
}

#[test]
fn no_terminal_server_is_left_behind() {
    let night = Night::stopped_at("2026-01-21T04:30:05Z");
    let terminal = Terminal::open(&night.daemon.address(), Size::SMALL);
    terminal.shows("B1");
    let server = std::path::Path::new("/proc").join(terminal.server_id());
    assert!(server.join("cmdline").exists(), "{} runs", server.display());
    drop(terminal);
    wait_until("the terminal's server ends", FRAME_WITHIN, || {
        if server.exists() {
            Err(format!("{} still runs", server.display()))
        } else {
            Ok(())
        }
    });
}
