//! Styles by meaning: grey when normal, colour only for what is abnormal, nothing by colour alone.

use daemon_api::trouble::Urgency;
use ratatui::style::{Color, Modifier, Style};

/// The styles, with or without colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Theme {
    has_colour: bool,
}

impl Theme {
    pub const COLOURED: Self = Self { has_colour: true };
    pub const PLAIN: Self = Self { has_colour: false };

    /// Without colour where `NO_COLOR` is set to anything but nothing.
    pub fn from_no_color(no_color: Option<&std::ffi::OsStr>) -> Self {
        Self {
            has_colour: no_color.is_none_or(std::ffi::OsStr::is_empty),
        }
    }

    fn colour(self, colour: Color) -> Style {
        if self.has_colour {
            Style::new().fg(colour)
        } else {
            Style::new()
        }
    }

    /// Ordinary text.
    pub fn normal(self) -> Style {
        self.colour(Color::Gray)
    }

    /// What matters less.
    pub fn quiet(self) -> Style {
        self.colour(Color::DarkGray)
    }

    /// What the eye should find first though nothing is wrong.
    pub fn strong(self) -> Style {
        self.normal().add_modifier(Modifier::BOLD)
    }

    /// A heading.
    pub fn heading(self) -> Style {
        self.quiet().add_modifier(Modifier::BOLD)
    }

    /// In doubt, or soon in need of a person.
    pub fn doubt(self) -> Style {
        self.colour(Color::Yellow).add_modifier(Modifier::BOLD)
    }

    /// Wrong, or in need of a person now.
    pub fn bad(self) -> Style {
        self.colour(Color::LightRed).add_modifier(Modifier::BOLD)
    }

    /// Wrong over the whole width.
    pub fn alarm(self) -> Style {
        let style = Style::new().add_modifier(Modifier::BOLD | Modifier::REVERSED);
        if self.has_colour {
            style.fg(Color::LightRed)
        } else {
            style
        }
    }

    /// New and not yet seen by anybody: a bar, in the colour of its urgency.
    pub fn banner(self, urgency: Urgency) -> Style {
        self.urgency(urgency).add_modifier(Modifier::REVERSED)
    }

    /// Where the person is.
    pub fn chosen(self) -> Style {
        Style::new().add_modifier(Modifier::REVERSED)
    }

    pub fn urgency(self, urgency: Urgency) -> Style {
        match urgency {
            Urgency::Now => self.bad(),
            Urgency::Soon => self.doubt(),
            Urgency::Look => self.normal(),
        }
    }
}
