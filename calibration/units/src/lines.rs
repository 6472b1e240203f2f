//! Lines of a text file as people count them, whatever ends them: a row of a spreadsheet has its number.

use std::io::{self, Read};

/// Reads a text with one kind of line end: CRLF and CR become LF, a byte order mark goes, and the last
/// line is ended. A CSV reader behind it counts lines as an editor and a spreadsheet do.
#[derive(Debug)]
pub struct PlainLines<R> {
    input: R,
    buffer: Vec<u8>,
    /// What of the buffer is still to be handed out.
    ready: std::ops::Range<usize>,
    last: Option<u8>,
    after_cr: bool,
    has_ended: bool,
}

/// Bytes that are read at once.
const BUFFER: usize = 64 * 1024;

impl<R: Read> PlainLines<R> {
    /// Behind any reader of text.
    pub fn new(input: R) -> Self {
        Self {
            input,
            buffer: Vec::new(),
            ready: 0..0,
            last: None,
            after_cr: false,
            has_ended: false,
        }
    }

    fn fill(&mut self) -> io::Result<()> {
        let mut raw = vec![0; BUFFER];
        let mut count = self.input.read(&mut raw)?;
        let is_start = self.last.is_none() && !self.after_cr;
        // A mark of three bytes may come in pieces.
        while is_start && (1..3).contains(&count) {
            match self.input.read(&mut raw[count..])? {
                0 => break,
                more => count += more,
            }
        }
        let mut bytes = &raw[..count];
        if is_start {
            if let Some(problem) = not_utf8_mark(bytes) {
                return Err(io::Error::new(io::ErrorKind::InvalidData, problem));
            }
            bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        }
        self.buffer.clear();
        for &byte in bytes {
            let is_second = std::mem::replace(&mut self.after_cr, byte == b'\r') && byte == b'\n';
            if !is_second {
                self.buffer.push(if byte == b'\r' { b'\n' } else { byte });
            }
        }
        self.last = self.buffer.last().copied().or(self.last);
        if count == 0 {
            self.has_ended = true;
            if self.last.is_some_and(|last| last != b'\n') {
                self.buffer.push(b'\n');
            }
        }
        self.ready = 0..self.buffer.len();
        Ok(())
    }
}

impl<R: Read> Read for PlainLines<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        while self.ready.is_empty() && !self.has_ended && !out.is_empty() {
            self.fill()?;
        }
        let count = self.ready.len().min(out.len());
        let from = self.ready.start;
        out[..count].copy_from_slice(&self.buffer[from..from + count]);
        self.ready.start += count;
        Ok(count)
    }
}

/// The line on which a row begins, from 1, by the line on which the reader stands after it: the line end
/// of the row and those within its fields lie between.
#[must_use]
pub fn line_of_row<'a>(line_after: u64, fields: impl Iterator<Item = &'a str>) -> u64 {
    let within: usize = fields.map(|field| field.matches('\n').count()).sum();
    line_after.saturating_sub(1 + within as u64).max(1)
}

/// A text file's content.
///
/// # Errors
/// That it is another encoding: the line that shows it, and how to save it.
pub fn utf8_text(bytes: Vec<u8>) -> Result<String, String> {
    if let Some(problem) = not_utf8_mark(&bytes) {
        return Err(problem);
    }
    String::from_utf8(bytes).map_err(|error| {
        let good = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        let mut lines = PlainLines::new(good);
        let mut text = String::new();
        let line = match lines.read_to_string(&mut text) {
            // The last line is ended by the adapter where it is not ended by itself.
            Ok(_) => text.matches('\n').count() + usize::from(good.ends_with(b"\n")),
            Err(_) => 1,
        };
        format!(
            "line {}: this is not UTF-8 text, probably the encoding of an older Windows (cp1252): save \
             the file as CSV UTF-8",
            line.max(1)
        )
    })
}

fn not_utf8_mark(bytes: &[u8]) -> Option<String> {
    (bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff"))
        .then(|| "line 1: this is UTF-16 text: save the file as CSV UTF-8".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(bytes: &[u8]) -> String {
        let mut text = String::new();
        PlainLines::new(bytes)
            .read_to_string(&mut text)
            .expect("text");
        text
    }

    #[test]
    fn every_line_end_becomes_the_same() {
        let expected = "a,b\n1,2\n\n3,4\n";
        for end in ["\n", "\r\n", "\r"] {
            for mark in ["", "\u{feff}"] {
                let text = format!("{mark}{}", expected.trim_end().replace('\n', end));
                assert_eq!(plain(text.as_bytes()), expected, "{end:?}");
            }
        }
        assert_eq!(plain(b""), "");
    }

    #[test]
    fn another_encoding_is_named_with_its_line() {
        let utf16 = utf8_text(b"\xff\xfea\0".to_vec()).expect_err("it is none");
        assert!(utf16.contains("UTF-16"), "{utf16}");
        let old = utf8_text(b"a,b\r\n1,2\r\n\xb0,3\r\n".to_vec()).expect_err("it is none");
        assert!(old.starts_with("line 3: "), "{old}");
        let first = utf8_text(b"\xb0".to_vec()).expect_err("it is none");
        assert!(first.starts_with("line 1: "), "{first}");
    }
}
