//! A channel's name made from a template, topic levels and the name that the payload gives.

use super::Reason;
use crate::delivery::RefusalKind;

/// Longer names are not names but noise.
const CHANNEL_CHARS_MAX: usize = 128;

/// Literal text with `{1}`, `{2}`, … for topic levels (the first is 1) and `{name}` for the name
/// that the line or payload itself gives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChannelTemplate {
    pieces: Vec<Piece>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Text(String),
    TopicLevel(usize),
    Name,
}

impl ChannelTemplate {
    /// The name as it came.
    pub fn name_only() -> Self {
        Self {
            pieces: vec![Piece::Name],
        }
    }

    pub fn parse(template: &str) -> Result<Self, String> {
        let mut pieces = Vec::new();
        let mut rest = template;
        while let Some((text, after)) = rest.split_once('{') {
            let (inside, after) = after
                .split_once('}')
                .ok_or_else(|| format!("`{{{after}` is not closed with `}}`"))?;
            if !text.is_empty() {
                pieces.push(Piece::Text(text.to_owned()));
            }
            pieces.push(match inside.parse::<usize>() {
                Ok(0) => return Err("topic levels count from {1}".to_owned()),
                Ok(level) => Piece::TopicLevel(level),
                Err(_) if inside == "name" => Piece::Name,
                Err(_) => {
                    return Err(format!(
                        "`{{{inside}}}` is unknown; use {{1}}, {{2}}, … for topic levels \
                         or {{name}} for the name in the payload"
                    ));
                }
            });
            rest = after;
        }
        if !rest.is_empty() {
            pieces.push(Piece::Text(rest.to_owned()));
        }
        if pieces.is_empty() {
            return Err("it is empty; give the channel's name".to_owned());
        }
        Ok(Self { pieces })
    }

    pub fn uses_name(&self) -> bool {
        self.pieces.contains(&Piece::Name)
    }

    /// The highest topic level it asks for; 0 for none.
    pub fn deepest_level(&self) -> usize {
        let levels = self.pieces.iter().map(|piece| match piece {
            Piece::TopicLevel(level) => *level,
            Piece::Text(_) | Piece::Name => 0,
        });
        levels.max().unwrap_or(0)
    }

    /// The channel's name.
    pub fn render(&self, topic: &str, name: Option<&str>) -> Result<String, Reason> {
        let bad = |detail: String| Reason::new(RefusalKind::BadChannel, detail);
        let mut channel = String::new();
        for piece in &self.pieces {
            match piece {
                Piece::Text(text) => channel.push_str(text),
                Piece::TopicLevel(level) => {
                    let part = topic.split('/').nth(level - 1);
                    channel.push_str(part.ok_or_else(|| {
                        bad(format!(
                            "the channel's name needs level {level} of the topic"
                        ))
                    })?);
                }
                Piece::Name => channel.push_str(
                    name.ok_or_else(|| bad("it does not name its channel".to_owned()))?
                        .trim(),
                ),
            }
        }
        if channel.is_empty() {
            return Err(bad("its channel's name is empty".to_owned()));
        }
        if channel.chars().count() > CHANNEL_CHARS_MAX || channel.chars().any(char::is_control) {
            return Err(bad(format!(
                "its channel's name is longer than {CHANNEL_CHARS_MAX} characters \
                 or has control characters"
            )));
        }
        Ok(channel)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_text_and_name_are_joined() {
        let cases = [
            ("{2}/{3}", "plant/bed-3/7", None, "bed-3/7"),
            ("{name}", "any", Some(" T1 "), "T1"),
            ("b{1}-{name}", "4/x", Some("2"), "b4-2"),
            ("fixed", "a", None, "fixed"),
        ];
        for (template, topic, name, expected) in cases {
            let template = ChannelTemplate::parse(template).expect("a good template");
            assert_eq!(template.render(topic, name).as_deref(), Ok(expected));
        }
    }

    #[test]
    fn a_bad_template_is_told_what_is_wrong() {
        for (template, told) in [
            ("", "empty"),
            ("{0}", "from {1}"),
            ("{2", "not closed"),
            ("{bed}", "unknown"),
        ] {
            let problem = ChannelTemplate::parse(template).expect_err(template);
            assert!(problem.contains(told), "{problem}");
        }
    }

    #[test]
    fn a_missing_level_an_absent_name_and_noise_are_refused() {
        let level = ChannelTemplate::parse("{3}").expect("a good template");
        assert!(level.render("a/b", None).is_err());
        let name = ChannelTemplate::name_only();
        for bad in [
            None,
            Some(""),
            Some("  "),
            Some("a\nb"),
            Some(&*"x".repeat(129)),
        ] {
            let reason = name.render("a", bad).expect_err("a bad name");
            assert_eq!(reason.kind, RefusalKind::BadChannel);
        }
    }
}
