//! The dashboard in a terminal of its own: a tmux server whose socket lives and dies with the test.

use std::fmt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use harness::{binary, wait_until, workspace_root};
use tempfile::TempDir;

use crate::FRAME_WITHIN;

/// Set to anything, captures are written instead of compared.
const UPDATE: &str = "UPDATE_SCREENS";
/// So many looks with the same answer are taken for a screen at rest when captures are written.
const LOOKS_AT_REST: u32 = 60;

/// Columns and lines of a terminal.
#[derive(Debug, Clone, Copy)]
pub struct Size {
    columns: u16,
    lines: u16,
}

impl Size {
    pub const SMALL: Self = Self {
        columns: 80,
        lines: 24,
    };
    pub const LARGE: Self = Self {
        columns: 140,
        lines: 45,
    };
}

/// The sizes at which every screen is captured.
pub const SIZES: [Size; 2] = [Size::SMALL, Size::LARGE];

impl fmt::Display for Size {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}x{}", self.columns, self.lines)
    }
}

/// A running dashboard; its terminal ends with it.
pub struct Terminal {
    folder: TempDir,
    size: Size,
}

fn tmux(folder: &Path, arguments: &[&str]) -> Output {
    Command::new("tmux")
        .args(["-u", "-f", "/dev/null", "-L", "screens"])
        .args(arguments)
        .env("TMUX_TMPDIR", folder)
        .env("LC_ALL", "C.UTF-8")
        .env_remove("TMUX")
        .output()
        .expect("tmux runs: install it")
}

impl Terminal {
    /// Opens the dashboard of the daemon at an address.
    pub fn open(address: &str, size: Size) -> Self {
        Self::open_with(address, size, "")
    }

    /// The same with `NO_COLOR`.
    pub fn open_plain(address: &str, size: Size) -> Self {
        Self::open_with(address, size, "1")
    }

    fn open_with(address: &str, size: Size, no_color: &str) -> Self {
        let terminal = Self {
            folder: tempfile::tempdir().expect("a folder"),
            size,
        };
        let dashboard = binary("tarplight").display().to_string();
        let daemon = format!("http://{address}");
        let (columns, lines) = (size.columns.to_string(), size.lines.to_string());
        let variable = format!("NO_COLOR={no_color}");
        // When somebody last looked is kept in the person's own files; each terminal has its own.
        let state = format!("XDG_STATE_HOME={}", terminal.folder.path().display());
        let opened = tmux(
            terminal.folder.path(),
            &[
                "new-session",
                "-d",
                "-x",
                &columns,
                "-y",
                &lines,
                "env",
                &variable,
                &state,
                &dashboard,
                "--daemon",
                &daemon,
                ";",
                "set",
                "status",
                "off",
            ],
        );
        assert!(
            opened.status.success(),
            "tmux: {}",
            String::from_utf8_lossy(&opened.stderr)
        );
        terminal
    }

    /// The process that serves this terminal.
    pub fn server_id(&self) -> String {
        let told = tmux(self.folder.path(), &["display-message", "-p", "#{pid}"]);
        String::from_utf8_lossy(&told.stdout).trim().to_owned()
    }

    pub fn size(&self) -> Size {
        self.size
    }

    /// Presses keys, by tmux's names.
    pub fn keys(&self, keys: &[&str]) {
        let sent = tmux(self.folder.path(), &[&["send-keys"], keys].concat());
        assert!(sent.status.success(), "the dashboard ended");
    }

    /// What stands on the screen now.
    pub fn screen(&self) -> String {
        self.captured(&[])
    }

    /// Whether any cell has a colour of its own.
    pub fn has_colour(&self) -> bool {
        // Colours of the foreground are the codes 30 to 37, 90 to 97 and 38;….
        self.captured(&["-e"]).split('\u{1b}').any(|part| {
            let codes = part
                .trim_start_matches('[')
                .split('m')
                .next()
                .unwrap_or_default();
            let is_colour = |code: &str| matches!(code.parse(), Ok(30..=38 | 90..=97));
            codes.split(';').any(is_colour)
        })
    }

    fn captured(&self, options: &[&str]) -> String {
        let captured = tmux(
            self.folder.path(),
            &[&["capture-pane", "-p"], options].concat(),
        );
        assert!(captured.status.success(), "the dashboard ended");
        let text = String::from_utf8(captured.stdout).expect("a screen is text");
        let lines = text.lines().map(str::trim_end);
        lines.flat_map(|line| [line, "\n"]).collect()
    }

    /// Waits until the screen contains `words`.
    pub fn shows(&self, words: &str) {
        wait_until(&format!("\"{words}\" is shown"), FRAME_WITHIN, || {
            let screen = self.screen();
            if screen.contains(words) {
                Ok(())
            } else {
                Err(screen)
            }
        });
    }

    /// Waits until the screen is the checked-in capture.
    pub fn matches_file(&self, name: &str) {
        self.matches(name, str::to_owned);
    }

    /// The same, where seconds that depend on the machine are masked in both.
    pub fn matches_file_masked(&self, name: &str) {
        self.matches(name, masked);
    }

    fn matches(&self, name: &str, mask: fn(&str) -> String) {
        let path = capture_path(name);
        if std::env::var_os(UPDATE).is_some() {
            std::fs::write(&path, self.at_rest(mask)).expect("the capture is written");
            return;
        }
        let expected = std::fs::read_to_string(&path).unwrap_or_else(|error| {
            panic!(
                "{}: {error}; write captures with {UPDATE}=1",
                path.display()
            )
        });
        wait_until(&format!("the screen is {name}"), FRAME_WITHIN, || {
            differs(&expected, &mask(&self.screen()))
        });
    }

    /// The screen once it has not changed for a while.
    fn at_rest(&self, mask: fn(&str) -> String) -> String {
        let (mut last, mut looks) = (String::new(), 0);
        wait_until("the screen is at rest", FRAME_WITHIN, || {
            let screen = mask(&self.screen());
            looks = if screen == last { looks + 1 } else { 0 };
            last.clone_from(&screen);
            let is_at_rest = looks >= LOOKS_AT_REST && !screen.contains("being fetched");
            if is_at_rest { Ok(screen) } else { Err(screen) }
        })
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // A server whose only program has ended is gone already.
        tmux(self.folder.path(), &["kill-server"]);
    }
}

fn capture_path(name: &str) -> PathBuf {
    let folder = workspace_root().join("tests/screens/captures");
    folder.join(format!("{name}.txt"))
}

/// The first line that differs, told short.
fn differs(expected: &str, screen: &str) -> Result<(), String> {
    if expected == screen {
        return Ok(());
    }
    let pairs = expected.lines().zip(screen.lines());
    let (at, (wanted, found)) = pairs
        .enumerate()
        .find(|(_, (wanted, found))| wanted != found)
        .ok_or("another number of lines")?;
    Err(format!(
        "line {} is\n{found}\nand should be\n{wanted}\n({UPDATE}=1 writes captures anew)",
        at + 1
    ))
}

/// Seconds of the clock, of ages and of the next try, and the minutes of forecasts, which follow
/// them, as signs: how many have passed depends on the machine.
fn masked(screen: &str) -> String {
    let lines = screen.lines().map(masked_line);
    lines.flat_map(|line| [line, "\n".to_owned()]).collect()
}

/// `04:30:07 CST`, `in 7 s` and `04:10–04:40` become `04:30:## CST`, `in # s` and `##:##–##:##`.
fn masked_line(line: &str) -> String {
    let words: Vec<&str> = line.split_whitespace().collect();
    let mask = |word: &str| word.replace(|c: char| c.is_ascii_digit(), "#");
    let masked: Vec<String> = words
        .iter()
        .enumerate()
        .map(|(at, word)| match word.rsplit_once(':') {
            _ if word.contains('–') => mask(word),
            Some((hour_minute, seconds)) if hour_minute.contains(':') => {
                format!("{hour_minute}:{}", mask(seconds))
            }
            _ if matches!(words.get(at + 1), Some(&"s" | &"s.")) => "#".to_owned(),
            _ => (*word).to_owned(),
        })
        .collect();
    if masked == words {
        return line.to_owned();
    }
    // What stands at the right moves with the width of its digits.
    masked
        .iter()
        .flat_map(|word| [" ", word.as_str()])
        .collect()
}
