//! Where everything stands: on one page where that can be read, else on several that say so.
//!
//! Lengths are in points (1/72 inch), from the top left corner of the page.

use super::SheetOptions;
use super::content::{Content, Piece, SectionContent, StepContent};
use super::fonts::Fonts;
use crate::paper::words::SheetWords;

/// Size of the paper.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// ISO 216: 210 by 297 mm.
    #[default]
    A4,
    /// ANSI: 8.5 by 11 inches.
    Letter,
}

impl Paper {
    /// Width and height.
    pub(super) fn size(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.28, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// One thing on a page.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Item {
    /// `y` is the base line.
    Text { x: f32, y: f32, points: f32, bold: bool, text: String },
    /// An empty square.
    Tick { x: f32, y: f32, side: f32, thick: bool },
    /// A line to write on, or between parts.
    Rule { x: f32, to: f32, y: f32, thick: f32 },
    /// A thin line between columns.
    Upright { x: f32, y: f32, to: f32 },
    /// A light grey ground.
    Ground { x: f32, y: f32, width: f32, height: f32 },
    /// A triangle with a stroke and a dot.
    Warning { x: f32, y: f32, side: f32 },
    /// A circle with two hands.
    ClockFace { x: f32, y: f32, side: f32 },
}

pub(super) struct LaidOut {
    pub pages: Vec<Vec<Item>>,
    pub points: f32,
}

/// Lays the content out: on one page in the form that says most and can be read, else on more.
pub(super) fn lay_out(content: &Content, options: SheetOptions, words: &SheetWords, fonts: &Fonts) -> LaidOut {
    let with = |points: f32, checks: bool, columns: u8| {
        let frame = (MARGIN, options.paper.size().0 - MARGIN);
        let pages = vec![Vec::new()];
        Setter {
            content,
            words,
            fonts,
            points,
            checks,
            columns,
            paper: options.paper,
            pages,
            frame,
            column: 0,
            top: MARGIN,
            y: MARGIN,
        }
        .set()
    };
    if options.large {
        return with(LARGE, true, 1);
    }
    for &(least, checks, columns) in ONE_PAGE {
        let sizes = std::iter::successors(Some(MOST_POINTS), |points| Some(points - 0.5));
        for points in sizes.take_while(|&points| points >= least) {
            let laid_out = with(points, checks, columns);
            if laid_out.pages.len() == 1 {
                return laid_out;
            }
        }
    }
    with(MORE_PAGES, true, 1)
}

struct Setter<'a> {
    content: &'a Content,
    words: &'a SheetWords,
    fonts: &'a Fonts,
    points: f32,
    /// Whether it is said how one knows that a step is right.
    checks: bool,
    /// Columns that the steps stand in.
    columns: u8,
    paper: Paper,
    pages: Vec<Vec<Item>>,
    /// Left and right edge of what is being set.
    frame: (f32, f32),
    column: u8,
    /// Where the columns begin on this page.
    top: f32,
    /// How far down the column is filled.
    y: f32,
}

impl Setter<'_> {
    fn set(mut self) -> LaidOut {
        self.head();
        self.top = self.y;
        self.set_column(0);
        for section in &self.content.sections {
            self.section(section);
        }
        let deepest = if self.column == 0 { self.y } else { self.bottom().max(self.y) };
        if self.column > 0 {
            let x = (MARGIN + self.paper.size().0 - MARGIN) / 2.0;
            self.put(Item::Upright { x, y: self.top + 4.0, to: deepest });
        }
        (self.y, self.columns) = (deepest, 1);
        self.set_column(0);
        self.foot();
        let pages = self.pages.len();
        let points = self.smallest();
        for page in 0..pages {
            let text = self.words.page.replace("{title}", &self.content.title);
            let text = text.replace("{page}", &(page + 1).to_string()).replace("{pages}", &pages.to_string());
            let base = self.paper.size().1 - MARGIN + 4.0;
            let x = self.right() - self.fonts.width(&text, false, points);
            let lines = self.fonts.lines(&self.words.first, false, points, x - MARGIN - 12.0);
            for (line, above) in lines.iter().rev().zip(0_u8..) {
                let y = base - f32::from(above) * points * LEADING;
                self.pages[page].push(Item::Text { x: MARGIN, y, points, bold: false, text: line.clone() });
            }
            self.pages[page].push(Item::Text { x, y: base, points, bold: false, text });
        }
        LaidOut { pages: self.pages, points: self.points }
    }

    fn left(&self) -> f32 {
        self.frame.0
    }

    fn right(&self) -> f32 {
        self.frame.1
    }

    fn set_column(&mut self, column: u8) {
        let whole = self.paper.size().0 - 2.0 * MARGIN;
        let width = (whole - GUTTER * f32::from(self.columns - 1)) / f32::from(self.columns);
        let left = MARGIN + f32::from(column) * (width + GUTTER);
        (self.column, self.frame) = (column, (left, left + width));
    }

    /// Where the last line may end: above the foot line, and above the space to write where that stands below columns.
    fn bottom(&self) -> f32 {
        let bottom = self.paper.size().1 - MARGIN - 2.0 * self.smallest();
        if self.columns > 1 { bottom - self.foot_height() } else { bottom }
    }

    /// The least height of what stands below the steps.
    fn foot_height(&self) -> f32 {
        f32::from(LEAST_NOTES) * WRITING + 2.0 * self.points * LEADING
    }

    fn put(&mut self, item: Item) {
        if let Some(page) = self.pages.last_mut() {
            page.push(item);
        }
    }

    /// Size of what stands below a step.
    fn small(&self) -> f32 {
        let share = if self.points >= LARGE { 0.9 } else { 0.84 };
        (self.points * share).max(SMALLEST)
    }

    /// Size of the foot line.
    fn smallest(&self) -> f32 {
        if self.points >= LARGE { LARGE * 0.7 } else { SMALLEST }
    }

    /// Sets a text in lines from `x` to `to`; the first base line lies one line below `self.y`.
    fn text(&mut self, text: &str, x: f32, to: f32, points: f32, bold: bool) {
        for line in self.fonts.lines(text, bold, points, to - x) {
            self.y += points * LEADING;
            let y = self.y - points * DESCENT;
            self.put(Item::Text { x, y, points, bold, text: line });
        }
    }

    fn head(&mut self) {
        let large = self.points * 1.6;
        self.text(&self.content.title.clone(), MARGIN, self.right(), large, true);
        self.y += self.points * 0.3;
        self.put(Item::Rule { x: MARGIN, to: self.right(), y: self.y, thick: 1.5 });
        self.y += self.points * 0.2;
        let small = self.small();
        if !self.content.intro.is_empty() {
            self.text(&self.content.intro.clone(), MARGIN, self.right(), small, true);
        }
        self.text(&self.words.legend.clone(), MARGIN, self.right(), small, false);
        self.y += self.points * 0.5;
        let labels = [&self.words.date, &self.words.who, &self.words.began, &self.words.ended].map(Clone::clone);
        let width = (self.right() - MARGIN) / labels.len() as f32;
        // Room for handwriting above the line.
        self.y += WRITING;
        for (number, label) in labels.into_iter().enumerate() {
            let x = MARGIN + width * number as f32;
            let from = x + self.fonts.width(&label, false, small) + 4.0;
            self.put(Item::Text { x, y: self.y - 3.0, points: small, bold: false, text: label });
            self.put(Item::Rule { x: from, to: x + width - 10.0, y: self.y - 2.0, thick: 0.5 });
        }
        self.y += self.points * 0.4;
    }

    fn section(&mut self, section: &SectionContent) {
        for (number, step) in section.steps.iter().enumerate() {
            // A heading never stands alone at the foot of a page, and a step is never cut.
            let heading = if number == 0 { self.height_of_heading(&section.title) } else { 0.0 };
            let height = heading + self.height_of(step);
            if self.y + height > self.bottom() && !self.at_top() {
                self.turn_page();
                if number > 0 {
                    self.heading(&self.words.continued.replace("{title}", &section.title));
                }
            }
            if number == 0 {
                self.heading(&section.title);
            }
            self.step(step);
        }
    }

    fn at_top(&self) -> bool {
        self.y <= self.top
    }

    /// Goes on at the top of the next column, or of the next page.
    fn turn_page(&mut self) {
        if self.column + 1 < self.columns {
            self.set_column(self.column + 1);
        } else {
            self.pages.push(Vec::new());
            self.top = MARGIN;
            self.set_column(0);
        }
        self.y = self.top;
    }

    fn heading(&mut self, title: &str) {
        let points = self.points * 1.08;
        self.y += self.points * 0.35;
        let lines = self.fonts.lines(title, true, points, self.right() - self.left() - 8.0);
        let height = points * (1.45 + HEADING_LEADING * lines.len().saturating_sub(1) as f32);
        let (x, y, width) = (self.left(), self.y, self.right() - self.left());
        self.put(Item::Ground { x, y, width, height });
        for (number, text) in lines.into_iter().enumerate() {
            let (x, y) = (self.left() + 4.0, self.y + points * (1.08 + HEADING_LEADING * number as f32));
            self.put(Item::Text { x, y, points, bold: true, text });
        }
        self.y += height + self.points * 0.1;
    }

    fn height_of_heading(&self, title: &str) -> f32 {
        let mut trial = Setter { pages: vec![Vec::new()], y: 0.0, ..*self };
        trial.heading(title);
        trial.y
    }

    fn height_of(&self, step: &StepContent) -> f32 {
        let mut trial = Setter { pages: vec![Vec::new()], y: 0.0, ..*self };
        trial.step(step);
        trial.y
    }

    fn step(&mut self, step: &StepContent) {
        let small = self.small();
        let side = self.points * 0.95;
        let number_x = self.left() + side + 6.0;
        let text_x = number_x + self.fonts.width("000", false, small) + 4.0;
        self.y += self.points * if step.caution.is_empty() { 0.22 } else { 0.45 };
        if !step.caution.is_empty() {
            let mark = format!("{}:", self.words.caution);
            let side = small;
            self.put(Item::Warning { x: text_x, y: self.y + small * (LEADING - DESCENT) - side * 0.9, side });
            let text = format!("{mark} {}", step.caution);
            self.text(&text, text_x + side + 4.0, self.right(), small, true);
        }
        let top = self.y;
        let tag_width = if step.tag.is_empty() { 0.0 } else { self.fonts.width(&step.tag, false, small) + 8.0 };
        // A tag that would take more than a third of the line goes below the words instead.
        let tag_beside = tag_width <= (self.right() - text_x) / 3.0;
        let text_to = if tag_beside { self.right() - tag_width } else { self.right() };
        self.text(&step.text, text_x, text_to, self.points, step.critical);
        let base = top + self.points * (LEADING - DESCENT);
        if step.boxed {
            let thick = step.critical;
            let x = self.left();
            self.put(Item::Tick { x, y: base - side * 0.88, side, thick });
        }
        let number = step.number.to_string();
        self.put(Item::Text { x: number_x, y: base, points: small, bold: false, text: number });
        if !step.tag.is_empty() && tag_beside {
            let x = self.right() - tag_width + 8.0;
            self.put(Item::Text { x, y: base, points: small, bold: false, text: step.tag.clone() });
        } else if !step.tag.is_empty() {
            self.text(&step.tag, text_x, self.right(), small, false);
        }
        let words = self.fonts.width(&step.text, step.critical, self.points);
        let beside = text_x + words + small;
        // Beside the words where both fit into one line and nothing is to be written by hand.
        let fits = words <= text_to - text_x && beside + self.width_of(&step.answer, small) <= text_to;
        if fits && !step.answer.iter().any(|piece| matches!(piece, Piece::Blank(_))) {
            let y = std::mem::replace(&mut self.y, base + small * DESCENT);
            self.pieces(&step.answer, beside, small, 0.0);
            self.y = y;
        } else if !step.answer.is_empty() {
            let writes = step.answer.iter().any(|piece| matches!(piece, Piece::Blank(_)));
            let line = if writes { (small * LEADING).max(WRITING) } else { small * LEADING };
            self.y += line;
            self.pieces(&step.answer, text_x, small, line);
        }
        if self.checks && !step.check.is_empty() {
            self.text(&step.check, text_x, self.right(), small, false);
        }
    }

    fn width_of(&self, pieces: &[Piece], points: f32) -> f32 {
        let gaps = pieces.len().saturating_sub(1) as f32 * points * 0.5;
        pieces.iter().map(|piece| self.piece_width(piece, points)).sum::<f32>() + gaps
    }

    fn piece_width(&self, piece: &Piece, points: f32) -> f32 {
        match piece {
            Piece::Text(text) => self.fonts.width(text, false, points),
            Piece::Tick(text) => points * 0.9 + 3.0 + self.fonts.width(text, false, points),
            Piece::Blank(letters) => f32::from(*letters) * points * 0.75,
            Piece::ClockFace => points * 0.9,
        }
    }

    /// What is to be filled in, on the line that ends at `self.y`; parts that do not fit go on in a further line.
    fn pieces(&mut self, pieces: &[Piece], from: f32, points: f32, line: f32) {
        let side = points * 0.9;
        let mut x = from;
        for piece in pieces {
            let width = self.piece_width(piece, points);
            if x + width > self.right() && x > from {
                self.y += line;
                x = from;
            }
            let base = self.y - points * DESCENT;
            match piece {
                Piece::Text(text) if width > self.right() - from => {
                    self.y -= line;
                    self.text(text, from, self.right(), points, false);
                }
                Piece::Text(text) => {
                    self.put(Item::Text { x, y: base, points, bold: false, text: text.clone() });
                }
                Piece::Tick(text) => {
                    self.put(Item::Tick { x, y: base - side * 0.88, side, thick: false });
                    self.put(Item::Text { x: x + side + 3.0, y: base, points, bold: false, text: text.clone() });
                }
                Piece::Blank(_) => self.put(Item::Rule { x, to: x + width, y: base + 1.0, thick: 0.5 }),
                Piece::ClockFace => self.put(Item::ClockFace { x, y: base - side * 0.86, side }),
            }
            x += width + points * 0.5;
        }
    }

    /// The last words, and space to write: what is left of the page, at least a few lines.
    fn foot(&mut self) {
        let small = self.small();
        if self.y + self.foot_height() > self.bottom() + 0.1 {
            self.turn_page();
        }
        self.y += self.points * 0.4;
        if !self.content.complete.is_empty() {
            self.text(&self.content.complete.clone(), MARGIN, self.right(), self.points, true);
        }
        for label in [self.words.no_answers.clone(), self.words.notes.clone()] {
            self.y += WRITING;
            let from = MARGIN + self.fonts.width(&label, false, small) + 4.0;
            self.put(Item::Text { x: MARGIN, y: self.y - 3.0, points: small, bold: false, text: label });
            self.put(Item::Rule { x: from, to: self.right(), y: self.y - 2.0, thick: 0.5 });
        }
        let mut more = 0;
        while self.y + WRITING <= self.bottom() && more < MOST_NOTES {
            self.y += WRITING;
            more += 1;
            self.put(Item::Rule { x: MARGIN, to: self.right(), y: self.y - 2.0, thick: 0.5 });
        }
    }
}

/// Forms that are tried for one page, in order: least size in points, whether it is said how one knows, and columns. A smaller size is
/// not read in a bay any more (common practice, no source).
const ONE_PAGE: &[(f32, bool, u8)] = &[(10.0, true, 1), (10.5, false, 1), (9.5, true, 2), (9.0, false, 2)];
const MOST_POINTS: f32 = 12.0;
const MORE_PAGES: f32 = 11.0;
/// Large print begins at 16 to 18 points (RNIB and American Printing House guidance, from memory).
const LARGE: f32 = 18.0;
/// No word is smaller.
const SMALLEST: f32 = 8.0;
const MARGIN: f32 = 36.0;
const LEADING: f32 = 1.28;
const DESCENT: f32 = 0.3;
/// Room for a line of handwriting: 6 mm.
const WRITING: f32 = 17.0;
/// Space between columns.
const GUTTER: f32 = 18.0;
const LEAST_NOTES: u8 = 3;
const MOST_NOTES: u8 = 12;

/// Between the lines of a heading, in its own size.
const HEADING_LEADING: f32 = 1.25;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::paper::words::PaperWords;
    use crate::rig::Rig;
    use crate::routine::load;
    use rstest::rstest;

    fn laid_out(paper: Paper, large: bool) -> (LaidOut, Fonts) {
        let text = include_str!("../../../prompts/routines/tank-dump.toml");
        let routine = load("tank-dump.toml", text, &Rig::default()).unwrap();
        let words = PaperWords::parse("paper.toml", include_str!("../../../prompts/phrases/paper.toml")).unwrap();
        let fonts = Fonts::new().unwrap();
        let content = super::super::content::content(&routine, &words.sheet);
        (lay_out(&content, SheetOptions { paper, large }, &words.sheet, &fonts), fonts)
    }

    #[rstest]
    #[case(Paper::A4, false)]
    #[case(Paper::Letter, false)]
    #[case(Paper::A4, true)]
    #[case(Paper::Letter, true)]
    fn nothing_stands_outside_the_margins_or_over_other_words(#[case] paper: Paper, #[case] large: bool) {
        let (laid_out, fonts) = laid_out(paper, large);
        let (width, height) = paper.size();
        for page in &laid_out.pages {
            let mut texts: Vec<(f32, f32, f32, f32, &str)> = Vec::new();
            for item in page {
                let (x, y, to, below) = match item {
                    Item::Text { x, y, points, bold, text } => {
                        let wide = fonts.width(text, *bold, *points);
                        texts.push((*x, y - points * 0.72, x + wide, y + points * 0.05, text));
                        (*x, y - points, x + wide, *y)
                    }
                    Item::Tick { x, y, side, .. } | Item::Warning { x, y, side } | Item::ClockFace { x, y, side } => {
                        (*x, *y, x + side, y + side)
                    }
                    Item::Rule { x, to, y, .. } => (*x, *y, *to, *y),
                    Item::Upright { x, y, to } => (*x, *y, *x, *to),
                    Item::Ground { x, y, width, height } => (*x, *y, x + width, y + height),
                };
                let within =
                    x >= MARGIN - 0.1 && to <= width - MARGIN + 0.1 && y >= MARGIN - 20.0 && below <= height - 20.0;
                assert!(within, "{item:?}");
            }
            for (index, one) in texts.iter().enumerate() {
                for other in &texts[index + 1..] {
                    let apart = one.2 <= other.0 || other.2 <= one.0 || one.3 <= other.1 || other.3 <= one.1;
                    assert!(apart, "'{}' over '{}'", one.4, other.4);
                }
            }
        }
    }

    #[test]
    fn the_tank_dump_stands_on_one_page_and_in_large_print_on_more() {
        let (normal, _) = laid_out(Paper::A4, false);
        assert_eq!(normal.pages.len(), 1);
        assert!(normal.points >= 9.0);
        let (large, _) = laid_out(Paper::A4, true);
        assert!(large.pages.len() > 1 && large.points >= 18.0);
    }
}
