//! A parser for server-sent events: bytes in any pieces go in, whole messages come out.
//!
//! It follows the event stream format of the WHATWG HTML standard, section 9.2.6, less `retry`:
//! the caller decides when to connect again.

use std::collections::VecDeque;

/// Most bytes of one message; a plant's largest bed takes far less.
const MESSAGE_BYTES_MAX: usize = 64 * 1024 * 1024;

/// One message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Message {
    /// Its name, `message` where it gave none.
    pub event: String,
    /// The last id seen on the stream.
    pub id: String,
    /// Its data, lines joined by line feeds.
    pub data: String,
}

/// Why the bytes cannot be an event stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum SseError {
    #[error("the event stream is not UTF-8")]
    NotUtf8,
    #[error("one event is longer than {MESSAGE_BYTES_MAX} bytes")]
    TooLong,
}

/// The state between two pieces of the stream.
#[derive(Debug, Default)]
pub(super) struct Parser {
    line: Vec<u8>,
    /// The last byte was a carriage return, so a line feed now belongs to it.
    after_return: bool,
    /// A first line has been seen, so a byte order mark is no longer allowed for.
    begun: bool,
    event: String,
    id: String,
    data: String,
    has_data: bool,
    messages: VecDeque<Message>,
}

impl Parser {
    /// Takes the next bytes.
    pub fn push(&mut self, bytes: &[u8]) -> Result<(), SseError> {
        for &byte in bytes {
            let belongs_to_return = std::mem::replace(&mut self.after_return, byte == b'\r');
            match byte {
                b'\n' if belongs_to_return => {}
                b'\n' | b'\r' => self.end_line()?,
                _ => self.line.push(byte),
            }
            if self.line.len() + self.data.len() > MESSAGE_BYTES_MAX {
                return Err(SseError::TooLong);
            }
        }
        Ok(())
    }

    /// The oldest whole message not yet taken.
    pub fn next_message(&mut self) -> Option<Message> {
        self.messages.pop_front()
    }

    fn end_line(&mut self) -> Result<(), SseError> {
        let line =
            String::from_utf8(std::mem::take(&mut self.line)).map_err(|_| SseError::NotUtf8)?;
        let first = !std::mem::replace(&mut self.begun, true);
        let line = match line.strip_prefix('\u{feff}') {
            Some(rest) if first => rest,
            _ => &line,
        };
        if line.is_empty() {
            self.end_message();
            return Ok(());
        }
        let (field, value) = line.split_once(':').unwrap_or((line, ""));
        let value = value.strip_prefix(' ').unwrap_or(value);
        match field {
            "event" => value.clone_into(&mut self.event),
            "data" => {
                if self.has_data {
                    self.data.push('\n');
                }
                self.data.push_str(value);
                self.has_data = true;
            }
            "id" if !value.contains('\0') => value.clone_into(&mut self.id),
            // An empty field name is a comment; the standard ignores fields it does not know.
            _ => {}
        }
        Ok(())
    }

    fn end_message(&mut self) {
        let event = std::mem::take(&mut self.event);
        let data = std::mem::take(&mut self.data);
        if std::mem::take(&mut self.has_data) {
            self.messages.push_back(Message {
                event: if event.is_empty() {
                    "message".to_owned()
                } else {
                    event
                },
                id: self.id.clone(),
                data,
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn message(event: &str, id: &str, data: &str) -> Message {
        Message {
            event: event.to_owned(),
            id: id.to_owned(),
            data: data.to_owned(),
        }
    }

    fn parse(pieces: &[&[u8]]) -> Vec<Message> {
        let mut parser = Parser::default();
        for piece in pieces {
            parser.push(piece).expect("the stream is well formed");
        }
        std::iter::from_fn(|| parser.next_message()).collect()
    }

    #[test]
    fn a_message_has_name_id_and_data() {
        let stream = b"id: 7\nevent: bed\ndata: {\"a\":1}\n\n";
        assert_eq!(parse(&[stream]), [message("bed", "7", "{\"a\":1}")]);
    }

    #[test]
    fn every_line_ending_is_understood_even_when_split() {
        let want = [message("bed", "1", "x"), message("plant", "2", "y")];
        for ending in ["\n", "\r\n", "\r"] {
            let text = [
                "id: 1",
                "event: bed",
                "data: x",
                "",
                "id: 2",
                "event: plant",
                "data: y",
                "",
                "",
            ]
            .join(ending);
            assert_eq!(parse(&[text.as_bytes()]), want, "ending {ending:?}");
            let bytes: Vec<&[u8]> = text.as_bytes().chunks(1).collect();
            assert_eq!(parse(&bytes), want, "ending {ending:?} byte by byte");
        }
    }

    #[test]
    fn lines_of_data_are_joined_and_only_one_space_is_taken() {
        assert_eq!(
            parse(&[b"data: a\ndata\ndata:b\ndata:  c\n\n"]),
            [message("message", "", "a\n\nb\n c")]
        );
    }

    #[test]
    fn comments_and_unknown_fields_say_nothing() {
        assert_eq!(parse(&[b": still here\n\nretry: 5\nfoo: bar\n\n"]), []);
    }

    #[test]
    fn a_name_without_data_is_forgotten_and_the_id_stays() {
        assert_eq!(
            parse(&[b"event: bed\nid: 4\n\ndata: x\n\n"]),
            [message("message", "4", "x")]
        );
    }

    #[test]
    fn a_message_without_its_empty_line_is_not_given_out() {
        assert_eq!(parse(&[b"data: x\n"]), []);
    }

    #[test]
    fn a_byte_order_mark_at_the_start_is_skipped() {
        assert_eq!(
            parse(&["\u{feff}data: x\n\n".as_bytes()]),
            [message("message", "", "x")]
        );
    }

    #[test]
    fn bytes_that_are_not_text_are_refused() {
        assert_eq!(
            Parser::default().push(b"data: \xff\n"),
            Err(SseError::NotUtf8)
        );
    }

    #[test]
    fn an_endless_line_is_refused() {
        let piece = vec![b'x'; MESSAGE_BYTES_MAX / 2 + 1];
        let mut parser = Parser::default();
        assert_eq!(parser.push(&piece), Ok(()));
        assert_eq!(parser.push(&piece), Err(SseError::TooLong));
    }

    proptest! {
        #[test]
        fn pieces_never_change_the_messages(
            lines in proptest::collection::vec("(data|id|event|)(: ?[a-zä☃:]{0,6})?(\n|\r\n|\r)", 0..24),
            cut in 1_usize..9,
        ) {
            let text = lines.concat();
            let pieces: Vec<&[u8]> = text.as_bytes().chunks(cut).collect();
            prop_assert_eq!(parse(&pieces), parse(&[text.as_bytes()]));
        }
    }
}
