//! Wrapping of sentences to a width in cells.

use ratatui::text::Span;

/// The width in cells.
pub fn width_of(text: &str) -> usize {
    Span::raw(text).width()
}

/// Breaks `text` at spaces into lines of at most `width` cells; a longer word is cut.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let mut word = word.to_owned();
        loop {
            let line = lines.last_mut().expect("there is always a line");
            let gap = usize::from(!line.is_empty());
            if width_of(line) + gap + width_of(&word) <= width {
                if gap == 1 {
                    line.push(' ');
                }
                line.push_str(&word);
                break;
            }
            if !line.is_empty() {
                lines.push(String::new());
                continue;
            }
            let (head, tail) = cut(&word, width);
            line.push_str(&head);
            if tail.is_empty() {
                break;
            }
            lines.push(String::new());
            word = tail;
        }
    }
    lines
}

/// The text in at most `width` cells, ending in an ellipsis where something was left out.
pub fn fit(text: &str, width: usize) -> String {
    if width_of(text) <= width {
        return text.to_owned();
    }
    if width == 0 {
        return String::new();
    }
    let (head, _) = cut(text, width - 1);
    format!("{}…", head.trim_end())
}

/// Splits after as many characters as `width` cells hold, but after one at least.
fn cut(text: &str, width: usize) -> (String, String) {
    let mut head = String::new();
    for (at, character) in text.char_indices() {
        let mut longer = head.clone();
        longer.push(character);
        if width_of(&longer) > width && !head.is_empty() {
            return (head, text[at..].to_owned());
        }
        head = longer;
    }
    (head, String::new())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_break_at_spaces_and_long_words_are_cut() {
        assert_eq!(
            wrap("the cylinder decides", 12),
            ["the cylinder", "decides"]
        );
        assert_eq!(wrap("abcdefgh ij", 4), ["abcd", "efgh", "ij"]);
        assert_eq!(wrap("", 4), [""]);
    }

    #[test]
    fn text_that_does_not_fit_says_so() {
        assert_eq!(fit("cylinders", 9), "cylinders");
        assert_eq!(fit("cylinders", 6), "cylin…");
        assert_eq!(fit("温度計", 4), "温…");
        assert_eq!(fit("x", 0), "");
    }
}
