//! Where the picture lies on the screen: zoom, pan, and the way between screen and picture.
//!
//! Picture coordinates are continuous and upright: pixel (0, 0) covers 0..1 along both axes (the
//! corner is the origin here, because edges are drawn, not centres). Stored coordinates are the
//! same before the camera's orientation is applied.

use eframe::egui::{Pos2, Rect, Vec2, pos2, vec2};

use crate::pixels::{Orientation, Size};

/// How large the picture is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Zoom {
    /// As large as the canvas allows.
    Fit,
    /// Physical pixels of the screen for one pixel of the picture.
    Scale(f32),
}

/// What part of the picture is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// How large.
    pub zoom: Zoom,
    /// Point of the upright picture in the middle of the canvas, 0 to 1 along both axes.
    pub center: Pos2,
}

impl Default for View {
    fn default() -> Self {
        Self { zoom: Zoom::Fit, center: pos2(0.5, 0.5) }
    }
}

/// Most physical pixels for one pixel of the picture.
const LARGEST_SCALE: f32 = 16.0;

impl View {
    /// The picture of stored size `stored` on the canvas, which has `pixels_per_point` physical pixels a point.
    #[must_use]
    pub fn place(&self, stored: Size, orientation: Orientation, canvas: Rect, pixels_per_point: f32) -> Placement {
        let upright = orientation.upright_size(stored);
        let size = vec2(upright.width as f32, upright.height as f32);
        let fit = fit_scale(size, canvas, pixels_per_point);
        let (scale, center) = match self.zoom {
            Zoom::Fit => (fit, pos2(0.5, 0.5)),
            Zoom::Scale(scale) => (scale, self.center),
        };
        let points_per_px = scale / pixels_per_point;
        let corner = canvas.center() - vec2(center.x * size.x, center.y * size.y) * points_per_px;
        // Whole physical pixels, so that 100 % is the picture itself and not a blur of it.
        let whole = |position: f32| (position * pixels_per_point).round() / pixels_per_point;
        Placement { corner: pos2(whole(corner.x), whole(corner.y)), points_per_px, scale, stored, orientation }
    }

    /// Another scale with the picture's point under `pointer` kept there.
    #[must_use]
    pub fn zoomed(&self, factor: f32, pointer: Pos2, placement: &Placement, canvas: Rect) -> Self {
        let pixels_per_point = placement.scale / placement.points_per_px;
        let size = placement.upright_size();
        let least = fit_scale(size, canvas, pixels_per_point);
        let scale = (placement.scale * factor).clamp(least.min(1.0), LARGEST_SCALE);
        if scale <= least && factor < 1.0 && least < 1.0 {
            return Self::default();
        }
        let kept = placement.upright_from_screen(pointer);
        let middle = kept + (canvas.center() - pointer) * (pixels_per_point / scale);
        Self { zoom: Zoom::Scale(scale), center: inside(pos2(middle.x / size.x, middle.y / size.y)) }
    }

    /// The same with every pixel of the picture where it was on the screen, after the canvas around it became another:
    /// what is looked at closely stays in place, what fits goes on fitting.
    #[must_use]
    pub fn kept_in_place(&self, placement: &Placement, after: Rect) -> Self {
        if self.zoom == Zoom::Fit {
            return *self;
        }
        let size = placement.upright_size() * placement.points_per_px;
        // From the corner as it is drawn, on a whole pixel of the screen: it must round to the same one again. Not held
        // inside the picture: the way back, when a strip closes, must lead to the same place.
        let middle = after.center() - placement.corner;
        Self { center: pos2(middle.x / size.x, middle.y / size.y), ..*self }
    }

    /// Moved along with a drag by `delta` points.
    #[must_use]
    pub fn panned(&self, delta: Vec2, placement: &Placement) -> Self {
        if self.zoom == Zoom::Fit {
            return *self;
        }
        let size = placement.upright_size() * placement.points_per_px;
        Self { center: inside(self.center - vec2(delta.x / size.x, delta.y / size.y)), ..*self }
    }
}

fn inside(point: Pos2) -> Pos2 {
    point.clamp(pos2(0.0, 0.0), pos2(1.0, 1.0))
}

fn fit_scale(size: Vec2, canvas: Rect, pixels_per_point: f32) -> f32 {
    pixels_per_point * (canvas.width() / size.x).min(canvas.height() / size.y).max(1e-3)
}

/// A picture on the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placement {
    corner: Pos2,
    points_per_px: f32,
    /// Physical pixels of the screen for one pixel of the picture.
    pub scale: f32,
    stored: Size,
    orientation: Orientation,
}

impl Placement {
    /// Where the whole picture lies.
    #[must_use]
    pub fn rect(&self) -> Rect {
        Rect::from_min_size(self.corner, self.upright_size() * self.points_per_px)
    }

    /// Points of the screen for one pixel of the picture.
    #[must_use]
    pub fn points_per_px(&self) -> f32 {
        self.points_per_px
    }

    /// Size of the picture as stored.
    #[must_use]
    pub fn stored(&self) -> Size {
        self.stored
    }

    /// How the stored picture is turned to be upright.
    #[must_use]
    pub fn orientation(&self) -> Orientation {
        self.orientation
    }

    /// The screen's place of a stored point.
    #[must_use]
    pub fn screen_from_stored(&self, point: Pos2) -> Pos2 {
        let (width, height) = (self.stored.width as f32, self.stored.height as f32);
        let Pos2 { x, y } = point;
        let upright = match self.orientation {
            Orientation::Normal => pos2(x, y),
            Orientation::FlipHorizontal => pos2(width - x, y),
            Orientation::Rotate180 => pos2(width - x, height - y),
            Orientation::FlipVertical => pos2(x, height - y),
            Orientation::Transpose => pos2(y, x),
            Orientation::Rotate90 => pos2(height - y, x),
            Orientation::Transverse => pos2(height - y, width - x),
            Orientation::Rotate270 => pos2(y, width - x),
        };
        self.corner + upright.to_vec2() * self.points_per_px
    }

    /// The stored point under a place of the screen.
    #[must_use]
    pub fn stored_from_screen(&self, place: Pos2) -> Pos2 {
        let (width, height) = (self.stored.width as f32, self.stored.height as f32);
        let Pos2 { x, y } = self.upright_from_screen(place);
        match self.orientation {
            Orientation::Normal => pos2(x, y),
            Orientation::FlipHorizontal => pos2(width - x, y),
            Orientation::Rotate180 => pos2(width - x, height - y),
            Orientation::FlipVertical => pos2(x, height - y),
            Orientation::Transpose => pos2(y, x),
            Orientation::Rotate90 => pos2(y, height - x),
            Orientation::Transverse => pos2(width - y, height - x),
            Orientation::Rotate270 => pos2(width - y, x),
        }
    }

    fn upright_from_screen(&self, place: Pos2) -> Pos2 {
        ((place - self.corner) / self.points_per_px).to_pos2()
    }

    fn upright_size(&self) -> Vec2 {
        let size = self.orientation.upright_size(self.stored);
        vec2(size.width as f32, size.height as f32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STORED: Size = Size { width: 600, height: 400 };

    fn canvas() -> Rect {
        Rect::from_min_size(pos2(10.0, 20.0), vec2(300.0, 300.0))
    }

    #[test]
    fn screen_and_stored_points_are_inverse_in_every_orientation() {
        for tag in 1..=8 {
            let orientation = Orientation::from_tag(tag).expect("a valid tag");
            let placement = View::default().place(STORED, orientation, canvas(), 1.0);
            let point = pos2(123.0, 45.0);
            let back = placement.stored_from_screen(placement.screen_from_stored(point));
            assert!(back.distance(point) < 1e-2, "orientation {tag} came back to {back:?}");
            let (x, y) = orientation.stored_from_upright(0, 0, STORED);
            let center_of_first = placement.screen_from_stored(pos2(x as f32 + 0.5, y as f32 + 0.5));
            let from_corner = center_of_first - placement.rect().min;
            assert!(from_corner.length() < placement.points_per_px(), "orientation {tag}: the first upright pixel");
        }
    }

    #[test]
    fn zooming_keeps_the_point_under_the_pointer() {
        let view = View { zoom: Zoom::Scale(2.0), center: pos2(0.4, 0.6) };
        let before = view.place(STORED, Orientation::Normal, canvas(), 1.0);
        let pointer = pos2(200.0, 111.0);
        let zoomed = view.zoomed(1.7, pointer, &before, canvas());
        let after = zoomed.place(STORED, Orientation::Normal, canvas(), 1.0);
        let moved = before.stored_from_screen(pointer).distance(after.stored_from_screen(pointer));
        assert!(moved < 0.5, "moved by {moved} px, less than the rounding to whole screen pixels");
        assert!((after.scale - 3.4).abs() < 1e-3, "the scale is {}", after.scale);
    }

    #[test]
    fn a_strip_that_opens_and_closes_leaves_every_pixel_where_it_is() {
        let view = View { zoom: Zoom::Scale(2.0), center: pos2(0.02, 0.97) };
        let below = canvas().with_min_y(canvas().top() + 43.0);
        let place = |view: &View, canvas| view.place(STORED, Orientation::Normal, canvas, 1.0);
        let corner = place(&view, canvas()).rect().min;
        let opened = view.kept_in_place(&place(&view, canvas()), below);
        assert_eq!(place(&opened, below).rect().min, corner, "a strip opens");
        let closed = opened.kept_in_place(&place(&opened, below), canvas());
        assert_eq!(place(&closed, canvas()).rect().min, corner, "and closes");
        assert_eq!(closed.zoom, view.zoom, "at the same scale");
        let fitted = View::default();
        assert_eq!(fitted.kept_in_place(&place(&fitted, canvas()), below), fitted, "what fits goes on fitting");
    }

    #[test]
    fn zooming_out_ends_at_the_whole_picture() {
        let view = View { zoom: Zoom::Scale(0.6), center: pos2(0.2, 0.2) };
        let placement = view.place(STORED, Orientation::Normal, canvas(), 1.0);
        assert_eq!(view.zoomed(0.5, pos2(50.0, 50.0), &placement, canvas()), View::default(), "fits again");
    }

    #[test]
    fn one_picture_pixel_is_one_screen_pixel_at_a_scale_of_one() {
        let view = View { zoom: Zoom::Scale(1.0), center: pos2(0.33, 0.71) };
        let placement = view.place(STORED, Orientation::Normal, canvas(), 1.5);
        let corner = placement.rect().min;
        let physical = (corner.x * 1.5, corner.y * 1.5);
        assert!((physical.0 - physical.0.round()).abs() < 1e-3, "column {} is whole", physical.0);
        assert!((physical.1 - physical.1.round()).abs() < 1e-3, "row {} is whole", physical.1);
    }
}
