//! A picture at full, half, quarter … size, so that what is drawn never grows with the frame.
//!
//! Each level is the mean of 2 × 2 samples of the one before, in linear light. An odd last row or
//! column is its own mean. Tiles are squares of one level, the last ones smaller.

use std::sync::Arc;

use crate::job::{Cancelled, Monitor};
use crate::pipeline::{Outcome, Picture};
use crate::pixels::{LinearImage, Plane, Rect, Size};

/// Edge of a tile in samples of its level.
pub const TILE: usize = 512;

/// A picture and its smaller copies.
#[derive(Debug)]
pub struct Pyramid {
    source: Source,
    /// Size of the frames.
    size: Size,
    /// Halvings between the frames and the picture that is there: a preview has no full size.
    first_level: usize,
    smaller: Vec<LinearImage>,
}

/// Where the picture itself is: a run's result stays whole for export and is not copied.
#[derive(Clone, Debug)]
pub enum Source {
    /// On its own.
    Frame(Arc<Picture>),
    /// The stack of a run.
    Stack(Arc<Outcome>),
    /// The reference frame alone of a run; the stack where the run did not keep it.
    Single(Arc<Outcome>),
}

impl Source {
    fn picture(&self) -> &Picture {
        match self {
            Self::Frame(picture) => picture,
            Self::Stack(outcome) => &outcome.picture,
            Self::Single(outcome) => outcome.single.as_ref().unwrap_or(&outcome.picture),
        }
    }
}

/// One square of one level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TileKey {
    /// 0 is full size, each further level half of it.
    pub level: usize,
    /// Columns of tiles to the left.
    pub column: usize,
    /// Rows of tiles above.
    pub row: usize,
}

impl Pyramid {
    /// Halves the picture until it fits on one tile.
    pub fn build(monitor: &Monitor, source: Source) -> Result<Self, Cancelled> {
        let size = source.picture().image.size();
        Self::build_from(monitor, source, size, 0)
    }

    /// As [`Pyramid::build`], of a picture of frames of this size that were halved `first_level` times.
    pub fn build_from(monitor: &Monitor, source: Source, size: Size, first_level: usize) -> Result<Self, Cancelled> {
        let mut smaller: Vec<LinearImage> = Vec::new();
        loop {
            let last = smaller.last().unwrap_or(&source.picture().image);
            if last.size().width.max(last.size().height) <= TILE {
                break;
            }
            let mut planes = Vec::with_capacity(3);
            for plane in &last.planes {
                monitor.check()?;
                planes.push(half(plane));
            }
            let planes = planes.try_into().expect("three planes in, three out");
            smaller.push(LinearImage { planes });
        }
        Ok(Self { source, size, first_level, smaller })
    }

    /// The picture that is there, the finest level.
    #[must_use]
    pub fn picture(&self) -> &Picture {
        self.source.picture()
    }

    /// Size of the frames that it shows.
    #[must_use]
    pub fn size(&self) -> Size {
        self.size
    }

    /// The finest level that is there.
    #[must_use]
    pub fn first_level(&self) -> usize {
        self.first_level
    }

    /// Camera RGB at a pixel of the frames.
    #[must_use]
    pub fn sample(&self, x: usize, y: usize) -> [f32; 3] {
        let image = &self.picture().image;
        let Size { width, height } = image.size();
        let (x, y) = ((x >> self.first_level).min(width - 1), (y >> self.first_level).min(height - 1));
        [0, 1, 2].map(|channel| image.planes[channel].at(x, y))
    }

    /// How many levels there are, the frames' own size included.
    #[must_use]
    pub fn n_levels(&self) -> usize {
        self.first_level + self.smaller.len() + 1
    }

    /// One level; the finest that is there for one that is not.
    #[must_use]
    pub fn level(&self, level: usize) -> &LinearImage {
        match level.saturating_sub(self.first_level) {
            0 => &self.picture().image,
            halvings => &self.smaller[halvings - 1],
        }
    }

    /// The coarsest level with at least one sample for each of `scale` screen pixels per picture pixel.
    #[must_use]
    pub fn level_for(&self, scale: f32) -> usize {
        let mut level = self.first_level;
        let mut next = scale * (2 << level) as f32;
        while next <= 1.0 && level + 1 < self.n_levels() {
            level += 1;
            next *= 2.0;
        }
        level
    }

    /// The tile that holds the whole picture.
    #[must_use]
    pub fn coarsest(&self) -> TileKey {
        TileKey { level: self.n_levels() - 1, column: 0, row: 0 }
    }

    /// The samples of a tile; `None` outside the level.
    #[must_use]
    pub fn tile_rect(&self, key: TileKey) -> Option<Rect> {
        let size = self.level(key.level).size();
        let (x, y) = (key.column * TILE, key.row * TILE);
        (x < size.width && y < size.height).then(|| Rect {
            x,
            y,
            size: Size { width: TILE.min(size.width - x), height: TILE.min(size.height - y) },
        })
    }
}

fn half(plane: &Plane<f32>) -> Plane<f32> {
    let source = plane.size();
    let size = Size { width: source.width.div_ceil(2), height: source.height.div_ceil(2) };
    let mut target = Plane::filled(size, 0.0);
    let pairs = source.width / 2;
    for y in 0..size.height {
        let upper = plane.row(2 * y);
        let lower = plane.row((2 * y + 1).min(source.height - 1));
        let row = target.row_mut(y);
        for ((mean, above), below) in row.iter_mut().zip(upper.chunks_exact(2)).zip(lower.chunks_exact(2)) {
            *mean = 0.25 * (above[0] + above[1] + below[0] + below[1]);
        }
        if pairs < size.width {
            row[pairs] = 0.5 * (upper[source.width - 1] + lower[source.width - 1]);
        }
    }
    target
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::CameraColor;
    use crate::pixels::Orientation;

    fn pyramid(size: Size) -> Pyramid {
        let plane = Plane::from_fn(size, |x, y| (x + 10 * y) as f32);
        let image = LinearImage { planes: [plane.clone(), plane.clone(), plane] };
        let picture = Picture { image, color: CameraColor::SRGB, orientation: Orientation::Normal, falloff: None };
        Pyramid::build(&Monitor::silent(), Source::Frame(Arc::new(picture))).expect("nobody cancels")
    }

    #[test]
    fn a_level_is_the_mean_of_four_and_an_odd_edge_of_two() {
        let plane = Plane::from_fn(Size { width: 3, height: 3 }, |x, y| (x + 10 * y) as f32);
        let halved = half(&plane);
        assert_eq!(halved.samples(), &[5.5, 7.0, 20.5, 22.0], "means of 0 1 10 11, of 2 12, of 20 21, and 22");
    }

    #[test]
    fn the_pyramid_ends_with_a_single_tile() {
        let pyramid = pyramid(Size { width: 1500, height: 700 });
        assert_eq!(pyramid.n_levels(), 3, "1500, 750, 375");
        assert_eq!(pyramid.level(2).size(), Size { width: 375, height: 175 }, "a quarter");
        let last = pyramid.tile_rect(TileKey { level: 0, column: 2, row: 1 }).expect("the corner tile");
        assert_eq!(last.size, Size { width: 1500 - 1024, height: 700 - 512 }, "what is left at the corner");
        assert_eq!(pyramid.tile_rect(TileKey { level: 0, column: 3, row: 0 }), None, "beyond the picture");
    }

    #[test]
    fn a_preview_begins_below_the_full_size() {
        let plane = Plane::from_fn(Size { width: 750, height: 350 }, |x, y| (x + 10 * y) as f32);
        let image = LinearImage { planes: [plane.clone(), plane.clone(), plane] };
        let picture = Picture { image, color: CameraColor::SRGB, orientation: Orientation::Normal, falloff: None };
        let size = Size { width: 1501, height: 700 };
        let source = Source::Frame(Arc::new(picture));
        let pyramid = Pyramid::build_from(&Monitor::silent(), source, size, 1).expect("nobody cancels");
        assert_eq!((pyramid.n_levels(), pyramid.coarsest().level), (3, 2), "as for the frames themselves");
        assert_eq!((pyramid.level_for(2.0), pyramid.level_for(0.25)), (1, 2), "the finest there is, then coarser");
        assert_eq!(pyramid.sample(1500, 3)[0], 749.0 + 10.0, "the last pixel lies in the last sample");
        assert_eq!(pyramid.size(), size, "it lies where the frames lie");
    }

    #[test]
    fn a_level_never_has_fewer_samples_than_the_screen() {
        let pyramid = pyramid(Size { width: 1500, height: 700 });
        for (scale, level) in [(2.0, 0), (1.0, 0), (0.51, 0), (0.5, 1), (0.26, 1), (0.25, 2), (0.01, 2)] {
            assert_eq!(pyramid.level_for(scale), level, "at a scale of {scale}");
        }
    }
}
