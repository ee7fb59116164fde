//! One picture on the canvas: the tiles that are visible, drawn from textures.
//!
//! Until a tile is there its place is filled from the coarsest level; until it is coloured anew after
//! a change its old colours stay. Tiles are 512 samples wide, within the texture size that every
//! renderer offers.

use std::collections::BTreeMap;
use std::sync::Arc;

use eframe::egui::{
    Color32, ColorImage, Context, Mesh, Painter, Pos2, Rect, Shape, TextureFilter, TextureHandle, TextureOptions, pos2,
};

use crate::gui::pyramid::{Pyramid, TILE, TileKey};
use crate::gui::tiles::{Finished, Order, Stamp};
use crate::gui::tone::Tone;
use crate::gui::view::Placement;

/// Textures kept at most; each takes a megabyte.
const MOST_TEXTURES: usize = 128;

/// A picture with the textures of its tiles.
pub struct Layer {
    id: u64,
    pyramid: Arc<Pyramid>,
    tone: Option<Arc<Tone>>,
    generation: u64,
    drawn: BTreeMap<TileKey, Drawn>,
    frame: u64,
}

struct Drawn {
    texture: TextureHandle,
    generation: u64,
    last_used: u64,
}

impl Layer {
    /// A picture without any tile yet; `id` tells its tiles from those of other layers.
    #[must_use]
    pub fn new(id: u64, pyramid: Arc<Pyramid>) -> Self {
        Self { id, pyramid, tone: None, generation: 0, drawn: BTreeMap::new(), frame: 0 }
    }

    /// The picture.
    #[must_use]
    pub fn pyramid(&self) -> &Arc<Pyramid> {
        &self.pyramid
    }

    /// Develops the picture anew, tile by tile as they come into view.
    pub fn set_tone(&mut self, tone: Arc<Tone>) {
        self.tone = Some(tone);
        self.generation += 1;
    }

    /// How it is developed.
    #[must_use]
    pub fn tone(&self) -> Option<&Arc<Tone>> {
        self.tone.as_ref()
    }

    /// Whether anything can be seen yet.
    #[must_use]
    pub fn is_visible(&self) -> bool {
        !self.drawn.is_empty()
    }

    /// Takes the tile over that holds the whole picture in the present development.
    pub fn accept_first(&mut self, context: &Context, image: Option<ColorImage>) {
        let stamp = Stamp { layer: self.id, generation: self.generation, key: self.pyramid.coarsest() };
        self.accept(context, &mut Finished { stamp, image });
    }

    /// Takes a finished tile over if it is of this layer.
    pub fn accept(&mut self, context: &Context, finished: &mut Finished) {
        if finished.stamp.layer != self.id {
            return;
        }
        let Some(image) = finished.image.take() else { return };
        let options = TextureOptions {
            magnification: TextureFilter::Nearest,
            minification: TextureFilter::Linear,
            ..TextureOptions::LINEAR
        };
        let Stamp { generation, key, .. } = finished.stamp;
        let last_used = self.frame;
        match self.drawn.get_mut(&key) {
            Some(drawn) if drawn.generation > generation => {}
            Some(drawn) => {
                drawn.texture.set(image, options);
                drawn.generation = generation;
            }
            None => {
                let texture = context.load_texture("tile", image, options);
                self.drawn.insert(key, Drawn { texture, generation, last_used });
            }
        }
        self.forget_unused();
    }

    /// Draws what lies inside `clip`; gives back the tiles that are missing or of an older development.
    pub fn draw(&mut self, painter: &Painter, placement: &Placement, clip: Rect, tint: Color32) -> Vec<Order> {
        self.frame += 1;
        let painter = painter.with_clip_rect(clip.intersect(painter.clip_rect()));
        let level = self.pyramid.level_for(placement.scale);
        let coarsest = self.pyramid.n_levels() - 1;
        let sharp = self.visible(level, placement, painter.clip_rect());
        let coarse = self.visible(coarsest, placement, painter.clip_rect());
        if sharp.iter().any(|key| !self.drawn.contains_key(key)) {
            self.draw_tiles(&painter, placement, &coarse, tint);
        }
        self.draw_tiles(&painter, placement, &sharp, tint);
        let Some(tone) = &self.tone else { return Vec::new() };
        let stale = |key: &TileKey| self.drawn.get(key).is_none_or(|drawn| drawn.generation != self.generation);
        let first = coarse.into_iter().filter(|_| level != coarsest);
        first
            .chain(sharp)
            .filter(stale)
            .map(|key| Order {
                stamp: Stamp { layer: self.id, generation: self.generation, key },
                pyramid: Arc::clone(&self.pyramid),
                tone: Arc::clone(tone),
            })
            .collect()
    }

    fn draw_tiles(&mut self, painter: &Painter, placement: &Placement, keys: &[TileKey], tint: Color32) {
        for key in keys {
            let Some(drawn) = self.drawn.get_mut(key) else { continue };
            let Some(quad) = Quad::of(&self.pyramid, *key) else { continue };
            drawn.last_used = self.frame;
            let mut mesh = Mesh::with_texture(drawn.texture.id());
            for (stored, uv) in quad.corners() {
                let pos = placement.screen_from_stored(stored);
                mesh.vertices.push(eframe::epaint::Vertex { pos, uv, color: tint });
            }
            mesh.indices.extend([0, 1, 2, 0, 2, 3]);
            painter.add(Shape::mesh(mesh));
        }
    }

    /// Tiles of a level that touch `clip`, the middle ones first.
    fn visible(&self, level: usize, placement: &Placement, clip: Rect) -> Vec<TileKey> {
        let size = self.pyramid.level(level).size();
        let clip = clip.intersect(placement.rect());
        if !clip.is_positive() {
            return Vec::new();
        }
        let corners = [clip.left_top(), clip.right_bottom()].map(|corner| placement.stored_from_screen(corner));
        let stored = Rect::from_two_pos(corners[0], corners[1]);
        let tile_px = (TILE << level) as f32;
        let range = |from: f32, to: f32, len: usize| {
            // Float casts saturate at zero; the clip lies within the picture.
            let last = (len - 1) / TILE;
            ((from / tile_px) as usize).min(last)..=((to / tile_px) as usize).min(last)
        };
        let rows = range(stored.min.y, stored.max.y, size.height);
        let mut keys = Vec::new();
        for row in rows {
            for column in range(stored.min.x, stored.max.x, size.width) {
                keys.push(TileKey { level, column, row });
            }
        }
        let middle = stored.center() / tile_px;
        let distance = |key: &TileKey| middle.distance(pos2(key.column as f32 + 0.5, key.row as f32 + 0.5));
        keys.sort_by(|a, b| distance(a).total_cmp(&distance(b)).then(a.cmp(b)));
        keys
    }

    fn forget_unused(&mut self) {
        while self.drawn.len() > MOST_TEXTURES {
            let oldest = self.drawn.iter().min_by_key(|(_, drawn)| drawn.last_used).map(|(key, _)| *key);
            let key = oldest.expect("more than the most is not empty");
            self.drawn.remove(&key);
        }
    }
}

/// The part of the picture that a tile covers, and the part of the texture that shows it.
struct Quad {
    stored: Rect,
    uv: Pos2,
}

impl Quad {
    /// The last sample of a level may stand for less than a full square of the picture.
    fn of(pyramid: &Pyramid, key: TileKey) -> Option<Self> {
        let rect = pyramid.tile_rect(key)?;
        let full = pyramid.size();
        let place = |position: usize| (position << key.level) as f32;
        let min = pos2(place(rect.x), place(rect.y));
        let max = pos2(place(rect.x + rect.size.width), place(rect.y + rect.size.height));
        let inside = pos2(max.x.min(full.width as f32), max.y.min(full.height as f32));
        let uv = pos2((inside.x - min.x) / (max.x - min.x), (inside.y - min.y) / (max.y - min.y));
        Some(Self { stored: Rect { min, max: inside }, uv })
    }

    fn corners(&self) -> [(Pos2, Pos2); 4] {
        let Rect { min, max } = self.stored;
        [
            (min, pos2(0.0, 0.0)),
            (pos2(max.x, min.y), pos2(self.uv.x, 0.0)),
            (max, self.uv),
            (pos2(min.x, max.y), pos2(0.0, self.uv.y)),
        ]
    }
}
