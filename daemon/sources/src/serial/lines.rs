//! Bytes of a serial port cut into lines, with the start of each connection thrown away.

/// One line, or what is left of one that was too long.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Line {
    Whole(Vec<u8>),
    /// The beginning of a line that passed the limit; the rest is skipped.
    TooLong(Vec<u8>),
}

/// Cuts at carriage return or line feed; empty lines are nothing.
#[derive(Debug)]
pub struct Lines {
    begun: Vec<u8>,
    state: State,
    line_bytes_max: usize,
}

#[derive(Debug, PartialEq, Eq)]
enum State {
    /// Up to the first line end: what comes before it began while nobody listened, and half a
    /// line can look like a good one with another value.
    Unsynchronised,
    Reading,
    /// Past the limit, up to the next line end.
    Skipping,
}

impl Lines {
    pub fn new(line_bytes_max: usize) -> Self {
        Self {
            begun: Vec::new(),
            state: State::Unsynchronised,
            line_bytes_max,
        }
    }

    /// Takes what was read and gives the lines that it completes.
    pub fn push(&mut self, bytes: &[u8]) -> Vec<Line> {
        let mut lines = Vec::new();
        for byte in bytes {
            let is_end = matches!(byte, b'\n' | b'\r');
            match self.state {
                State::Unsynchronised | State::Skipping if is_end => self.state = State::Reading,
                State::Unsynchronised | State::Skipping => {}
                State::Reading if is_end => {
                    if !self.begun.is_empty() {
                        lines.push(Line::Whole(std::mem::take(&mut self.begun)));
                    }
                }
                State::Reading => {
                    self.begun.push(*byte);
                    if self.begun.len() > self.line_bytes_max {
                        lines.push(Line::TooLong(std::mem::take(&mut self.begun)));
                        self.state = State::Skipping;
                    }
                }
            }
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn whole(text: &str) -> Line {
        Line::Whole(text.as_bytes().to_vec())
    }

    #[test]
    fn the_first_line_is_dropped_and_the_rest_is_cut_at_either_end() {
        let mut lines = Lines::new(100);
        assert_eq!(lines.push(b"1 21.5\nT1 22.5\r\nT2 2"), [whole("T1 22.5")]);
        assert_eq!(lines.push(b"3.5\rT3"), [whole("T2 23.5")]);
        assert_eq!(lines.push(b"\n\n\n"), [whole("T3")]);
    }

    #[test]
    fn a_line_past_the_limit_is_told_once_and_skipped_to_its_end() {
        let mut lines = Lines::new(4);
        assert!(lines.push(b"\n").is_empty());
        assert_eq!(lines.push(b"12345"), [Line::TooLong(b"12345".to_vec())]);
        assert!(lines.push(b"678901234567890").is_empty());
        assert_eq!(lines.push(b"\nT1 2\n"), [whole("T1 2")]);
    }

    proptest! {
        #[test]
        fn the_cuts_do_not_depend_on_the_pieces(
            bytes in proptest::collection::vec(
                prop_oneof![Just(b'\n'), Just(b'\r'), Just(b'a')], 0..200,
            ),
            piece in 1..20_usize,
        ) {
            let mut at_once = Lines::new(8);
            let mut in_pieces = Lines::new(8);
            let expected = at_once.push(&bytes);
            let found: Vec<Line> =
                bytes.chunks(piece).flat_map(|chunk| in_pieces.push(chunk)).collect();
            prop_assert_eq!(found, expected);
        }
    }
}
