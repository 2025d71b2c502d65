//! Horizontal bars in groups, one bar a part.

use super::panels::{Legend, draw_legend, draw_on, legend_height, text_of, ticks};
use super::style::{CHARACTER, FRAME, GRID, INK, Stroke, WIDTH, text_style};
use crate::report::number::fixed;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Height of a bar's lane: its value is written beside it.
const LANE: i32 = 27;
const BETWEEN_GROUPS: i32 = 18;
/// Most height of all groups together: with legend and axis a screen.
const MOST_HEIGHT: i32 = 820;
const AXIS_HEIGHT: i32 = 96;
const LONGEST_LABEL: i32 = 560;
const VALUE_ROOM: i32 = 120;
/// Between a label and its bars, for the numbers of the parts.
const NUMBER_ROOM: i32 = 60;

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// One bar.
pub(crate) struct Bar {
    pub value: f64,
    /// Value as text behind the bar.
    pub text: String,
}

/// Bars of one quantity.
pub(crate) struct Group {
    pub label: String,
    /// One a part; `None` where there is no value.
    pub bars: Vec<Option<Bar>>,
}

/// Chart.
pub(crate) struct BarChart {
    pub groups: Vec<Group>,
    pub axis: String,
    pub parts: Vec<String>,
}

/// Groups that fit a screen with so many bars each.
pub(crate) fn most_groups(bars: usize) -> usize {
    (MOST_HEIGHT / (bars as i32 * LANE + BETWEEN_GROUPS)).max(2) as usize
}

/// Where values lie on the canvas.
struct Frame {
    left: i32,
    right: i32,
    top: i32,
    bottom: i32,
    least: f64,
    most: f64,
}

impl Frame {
    fn x(&self, value: f64) -> i32 {
        let share = (value.clamp(self.least, self.most) - self.least) / (self.most - self.least);
        self.left + (share * f64::from(self.right - self.left)).round() as i32
    }
}

impl BarChart {
    /// The chart as SVG.
    pub(crate) fn draw(&self) -> Result<String, String> {
        let legend = self
            .parts
            .iter()
            .enumerate()
            .map(|(i, name)| Legend::filled(&format!("{} {name}", i + 1), Stroke::part(i).color));
        let legend = legend.collect::<Vec<_>>();
        let frame = self.frame(legend_height(&legend));
        draw_on(frame.bottom + AXIS_HEIGHT, |root| {
            draw_legend(root, &legend)?;
            self.draw_axis(root, &frame)?;
            for (i, group) in self.groups.iter().enumerate() {
                draw_bars(root, &frame, group, self.group_top(&frame, i))?;
            }
            for (i, group) in self.groups.iter().enumerate() {
                draw_labels(root, &frame, group, self.group_top(&frame, i))?;
            }
            Ok(())
        })
    }

    fn group_top(&self, frame: &Frame, index: usize) -> i32 {
        frame.top + BETWEEN_GROUPS / 2 + index as i32 * self.group_height()
    }

    fn group_height(&self) -> i32 {
        self.parts.len() as i32 * LANE + BETWEEN_GROUPS
    }

    fn frame(&self, top: i32) -> Frame {
        let values = || self.groups.iter().flat_map(|g| g.bars.iter().flatten()).map(|bar| bar.value);
        let longest = self.groups.iter().map(|g| g.label.chars().count()).max().unwrap_or(0) as i32;
        let most = values().fold(0.0, f64::max);
        Frame {
            left: (longest * CHARACTER + NUMBER_ROOM).min(LONGEST_LABEL),
            right: WIDTH - VALUE_ROOM,
            top,
            bottom: top + self.groups.len() as i32 * self.group_height(),
            least: values().fold(0.0, f64::min),
            most: if most > 0.0 { most } else { 1.0 },
        }
    }

    fn draw_axis(&self, root: &Area, frame: &Frame) -> Result<(), String> {
        let (values, decimals) = ticks(frame.least, frame.most, 10);
        let style = text_style(INK).pos(Pos::new(HPos::Center, VPos::Top));
        for value in values {
            let x = frame.x(value);
            let line = PathElement::new(vec![(x, frame.top), (x, frame.bottom)], GRID.stroke_width(2));
            root.draw(&line).map_err(text_of)?;
            root.draw(&Text::new(fixed(value, decimals), (x, frame.bottom + 10), style.clone())).map_err(text_of)?;
        }
        let middle = (frame.left + frame.right) / 2;
        root.draw(&Text::new(self.axis.clone(), (middle, frame.bottom + 52), style)).map_err(text_of)?;
        let zero = frame.x(0.0);
        let line = PathElement::new(vec![(zero, frame.top), (zero, frame.bottom)], FRAME.stroke_width(2));
        root.draw(&line).map_err(text_of)
    }
}

fn draw_bars(root: &Area, frame: &Frame, group: &Group, top: i32) -> Result<(), String> {
    for (i, bar) in group.bars.iter().enumerate() {
        let Some(bar) = bar else { continue };
        let y = top + i as i32 * LANE;
        let ends = (frame.x(0.0), frame.x(bar.value));
        let corners = [(ends.0.min(ends.1), y + 3), (ends.0.max(ends.1), y + LANE - 3)];
        root.draw(&Rectangle::new(corners, Stroke::part(i).color.filled())).map_err(text_of)?;
    }
    Ok(())
}

/// Name of the group and the values behind its bars.
fn draw_labels(root: &Area, frame: &Frame, group: &Group, top: i32) -> Result<(), String> {
    let middle = top + group.bars.len() as i32 * LANE / 2;
    let label = text_style(INK).pos(Pos::new(HPos::Right, VPos::Center));
    root.draw(&Text::new(shortened(&group.label), (frame.left - NUMBER_ROOM, middle), label)).map_err(text_of)?;
    let beside = text_style(INK).pos(Pos::new(HPos::Left, VPos::Center));
    let number = text_style(FRAME).pos(Pos::new(HPos::Right, VPos::Center));
    for (i, bar) in group.bars.iter().enumerate() {
        let lane = (frame.left - 8, top + i as i32 * LANE + LANE / 2);
        root.draw(&Text::new((i + 1).to_string(), lane, number.clone())).map_err(text_of)?;
        let Some(bar) = bar else { continue };
        let at = (frame.x(bar.value.max(0.0)) + 10, top + i as i32 * LANE + LANE / 2);
        root.draw(&Text::new(bar.text.clone(), at, beside.clone())).map_err(text_of)?;
    }
    Ok(())
}

/// A label that fits left of the bars.
fn shortened(label: &str) -> String {
    let fitting = ((LONGEST_LABEL - NUMBER_ROOM) / CHARACTER) as usize;
    if label.chars().count() <= fitting {
        return label.to_string();
    }
    label.chars().take(fitting - 1).collect::<String>() + "…"
}
