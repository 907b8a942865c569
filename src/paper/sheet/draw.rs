//! The pages as PDF, by krilla.

use krilla::Document;
use krilla::color::luma;
use krilla::geom::{Path, PathBuilder, Point, Rect};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke};
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};

use super::SheetError;
use super::layout::{Item, LaidOut, Paper};

pub(super) fn draw(laid_out: &LaidOut, title: &str, paper: Paper) -> Result<Vec<u8>, SheetError> {
    let font = |bytes: &'static [u8]| Font::new(bytes.to_vec().into(), 0).ok_or(SheetError::Font);
    let (regular, bold) = (font(notosans::REGULAR_TTF)?, font(notosans::BOLD_TTF)?);
    let (width, height) = paper.size();
    let settings =
        PageSettings::from_wh(width, height).ok_or_else(|| SheetError::Pdf("a page without size".to_owned()))?;
    let mut document = Document::new();
    document.set_metadata(
        Metadata::new().title(title.to_owned()).language("en".to_owned()).creator("sparehand".to_owned()),
    );
    for items in &laid_out.pages {
        let mut page = document.start_page_with(settings.clone());
        let mut surface = page.surface();
        for item in items {
            draw_item(&mut surface, item, &regular, &bold);
        }
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|why| SheetError::Pdf(format!("{why:?}")))
}

fn draw_item(surface: &mut Surface<'_>, item: &Item, regular: &Font, bold: &Font) {
    match item {
        Item::Text { x, y, points, bold: is_bold, text } => {
            fill(surface, BLACK);
            let font = if *is_bold { bold } else { regular };
            surface.draw_text(Point::from_xy(*x, *y), font.clone(), *points, text, false, TextDirection::LeftToRight);
        }
        Item::Ground { x, y, width, height } => {
            fill(surface, GROUND);
            draw_path(surface, rectangle(*x, *y, *width, *height));
        }
        Item::Tick { x, y, side, thick } => {
            stroke(surface, if *thick { 1.8 } else { 0.8 });
            draw_path(surface, rectangle(*x, *y, *side, *side));
        }
        Item::Rule { x, to, y, thick } => {
            stroke(surface, *thick);
            draw_path(surface, lines(&[(*x, *y), (*to, *y)], false));
        }
        Item::Upright { x, y, to } => {
            stroke(surface, 0.4);
            draw_path(surface, lines(&[(*x, *y), (*x, *to)], false));
        }
        Item::Warning { x, y, side } => {
            stroke(surface, 1.0);
            draw_path(surface, lines(&[(x + side / 2.0, *y), (x + side, y + side * 0.9), (*x, y + side * 0.9)], true));
            let middle = x + side / 2.0;
            draw_path(surface, lines(&[(middle, y + side * 0.32), (middle, y + side * 0.6)], false));
            draw_path(surface, lines(&[(middle, y + side * 0.7), (middle, y + side * 0.78)], false));
        }
        Item::ClockFace { x, y, side } => {
            stroke(surface, 0.8);
            let (middle_x, middle_y, radius) = (x + side / 2.0, y + side / 2.0, side / 2.0);
            draw_path(surface, circle(middle_x, middle_y, radius));
            let hands =
                [(middle_x, middle_y - radius * 0.7), (middle_x, middle_y), (middle_x + radius * 0.5, middle_y)];
            draw_path(surface, lines(&hands, false));
        }
    }
}

fn fill(surface: &mut Surface<'_>, shade: u8) {
    surface.set_stroke(None);
    let paint = luma::Color::new(shade).into();
    surface.set_fill(Some(Fill { paint, opacity: NormalizedF32::ONE, rule: Default::default() }));
}

fn stroke(surface: &mut Surface<'_>, width: f32) {
    surface.set_fill(None);
    surface.set_stroke(Some(Stroke { paint: luma::Color::new(BLACK).into(), width, ..Stroke::default() }));
}

/// A path without length has nothing to draw.
fn draw_path(surface: &mut Surface<'_>, path: Option<Path>) {
    if let Some(path) = path {
        surface.draw_path(&path);
    }
}

fn rectangle(x: f32, y: f32, width: f32, height: f32) -> Option<Path> {
    let mut path = PathBuilder::new();
    path.push_rect(Rect::from_xywh(x, y, width, height)?);
    path.finish()
}

fn lines(points: &[(f32, f32)], closed: bool) -> Option<Path> {
    let mut path = PathBuilder::new();
    for (number, (x, y)) in points.iter().enumerate() {
        if number == 0 { path.move_to(*x, *y) } else { path.line_to(*x, *y) }
    }
    if closed {
        path.close();
    }
    path.finish()
}

/// Four curves, each a quarter; the usual distance of their handles.
fn circle(x: f32, y: f32, radius: f32) -> Option<Path> {
    let handle = radius * 0.552_285;
    let mut path = PathBuilder::new();
    path.move_to(x + radius, y);
    path.cubic_to(x + radius, y + handle, x + handle, y + radius, x, y + radius);
    path.cubic_to(x - handle, y + radius, x - radius, y + handle, x - radius, y);
    path.cubic_to(x - radius, y - handle, x - handle, y - radius, x, y - radius);
    path.cubic_to(x + handle, y - radius, x + radius, y - handle, x + radius, y);
    path.close();
    path.finish()
}

const BLACK: u8 = 0;
/// Light enough that black words on it stay clear on any printer.
const GROUND: u8 = 226;
