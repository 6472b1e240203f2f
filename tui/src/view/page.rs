//! A tall page of blocks of which a window is shown; scrolling only moves the window.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::text::Line;

use super::paint;
use crate::state::Drawn;

/// Draws into an area of a buffer.
pub type Drawing<'a> = Box<dyn Fn(&mut Buffer, Rect) + 'a>;

/// Something with a height that can be drawn.
pub enum Block<'a> {
    Lines(Vec<Line<'static>>),
    Drawing { height: u16, draw: Drawing<'a> },
}

impl Block<'_> {
    fn height(&self) -> u16 {
        match self {
            Self::Lines(lines) => u16::try_from(lines.len()).unwrap_or(u16::MAX),
            Self::Drawing { height, .. } => *height,
        }
    }

    fn draw(&self, buf: &mut Buffer, area: Rect) {
        match self {
            Self::Lines(lines) => {
                for (row, line) in (area.y..).zip(lines) {
                    paint::put_line(buf, area, row, line);
                }
            }
            Self::Drawing { draw, .. } => draw(buf, area),
        }
    }
}

/// Blocks side by side: each column has a share of the width and blocks from top to bottom.
pub type Band<'a> = Vec<(u16, Vec<Block<'a>>)>;

fn column_height(blocks: &[Block<'_>]) -> u16 {
    blocks
        .iter()
        .map(Block::height)
        .fold(0, u16::saturating_add)
}

/// Draws bands from top to bottom into the window, from `scroll` on.
pub fn draw(buf: &mut Buffer, area: Rect, scroll: usize, bands: &[Band<'_>]) -> Drawn {
    let band_height = |band: &Band<'_>| {
        band.iter()
            .map(|(_, blocks)| column_height(blocks))
            .max()
            .unwrap_or(0)
    };
    let height = bands.iter().map(band_height).fold(0, u16::saturating_add);
    let mut tall = Buffer::empty(Rect::new(0, 0, area.width, height));
    let mut y = 0;
    for band in bands {
        let mut x = 0;
        for (width, blocks) in band {
            let mut block_y = y;
            for block in blocks {
                block.draw(
                    &mut tall,
                    Rect::new(x, block_y, width.saturating_sub(1), block.height()),
                );
                block_y += block.height();
            }
            x += width;
        }
        y += band_height(band);
    }
    copy_window(buf, area, &tall, scroll)
}

/// Draws lines into the window, from `scroll` on.
pub fn draw_lines(buf: &mut Buffer, area: Rect, scroll: usize, lines: &[Line<'static>]) -> Drawn {
    let band = vec![(area.width, vec![Block::Lines(lines.to_vec())])];
    draw(buf, area, scroll, &[band])
}

/// How far to scroll so that a stretch of lines is in sight.
pub fn scroll_to(stretch: std::ops::Range<usize>, line_count: usize, rows: usize) -> usize {
    if line_count <= rows {
        return 0;
    }
    // The last row says how much more there is.
    let shown_rows = rows.saturating_sub(1);
    stretch.end.saturating_sub(shown_rows).min(stretch.start)
}

fn copy_window(buf: &mut Buffer, area: Rect, tall: &Buffer, scroll: usize) -> Drawn {
    // A page that is longer than the window leaves the last row to say so, and covers nothing.
    let is_long = tall.area.height > area.height;
    let shown_rows = area.height - u16::from(is_long && area.height > 0);
    let page_rows = usize::from(shown_rows);
    let scroll_max = usize::from(tall.area.height).saturating_sub(page_rows);
    let scroll = scroll.min(scroll_max);
    for row in 0..shown_rows.min(tall.area.height) {
        let from_y = row + u16::try_from(scroll).unwrap_or(0);
        for x in 0..area.width {
            buf[(area.x + x, area.y + row)] = tall[(x, from_y)].clone();
        }
    }
    if scroll_max > 0 {
        let left = if scroll < scroll_max {
            format!(" {} lines more below, PgDn ", scroll_max - scroll)
        } else {
            " end ".to_owned()
        };
        let style = ratatui::style::Style::new().add_modifier(ratatui::style::Modifier::REVERSED);
        paint::put_right(
            buf,
            area.x + area.width / 2,
            area.bottom() - 1,
            area.width / 2,
            &left,
            style,
        );
    }
    Drawn {
        hits: Vec::new(),
        scroll_max,
        page_rows,
    }
}
