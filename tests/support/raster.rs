//! The window's drawing as pixels, without a screen or graphics hardware: the triangles that the interface
//! is made of, filled one by one. The same pixels on every machine.

use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

use eframe::egui::{Color32, ColorImage, Context, FullOutput, ImageData, Pos2, Rect, TextureId, TexturesDelta};
use eframe::epaint::{Mesh, Primitive, Vertex};
use egui_kittest::TestRenderer;
use image::{Rgb, RgbImage};

/// All textures that the interface has loaded so far.
#[derive(Clone, Default)]
pub(crate) struct Textures(Rc<RefCell<HashMap<TextureId, ColorImage>>>);

impl TestRenderer for Textures {
    #[allow(clippy::iter_over_hash_type, reason = "no texture depends on another")]
    fn handle_delta(&mut self, delta: &mut TexturesDelta) {
        let mut textures = self.0.borrow_mut();
        for (id, deltas) in &delta.set {
            for part in deltas {
                let ImageData::Color(image) = &part.image;
                match (part.pos, textures.get_mut(id)) {
                    (Some([left, top]), Some(whole)) => {
                        for y in 0..image.size[1] {
                            for x in 0..image.size[0] {
                                whole[(left + x, top + y)] = image[(x, y)];
                            }
                        }
                    }
                    _ => {
                        textures.insert(*id, ColorImage::clone(image));
                    }
                }
            }
        }
        for id in &delta.free {
            textures.remove(id);
        }
        delta.clear();
    }
}

impl Textures {
    /// What an output of the interface looks like on a screen of this size in points, one pixel a point.
    pub(crate) fn draw(&self, context: &Context, output: &FullOutput, size: [u32; 2]) -> RgbImage {
        let mut screen = RgbImage::new(size[0], size[1]);
        let textures = self.0.borrow();
        for primitive in context.tessellate(output.shapes.clone(), output.pixels_per_point) {
            let Primitive::Mesh(mesh) = &primitive.primitive else { continue };
            let Some(texture) = textures.get(&mesh.texture_id) else { continue };
            draw_mesh(&mut screen, mesh, texture, primitive.clip_rect);
        }
        screen
    }
}

fn draw_mesh(screen: &mut RgbImage, mesh: &Mesh, texture: &ColorImage, clip: Rect) {
    for corners in mesh.indices.chunks_exact(3) {
        let corners = [0, 1, 2].map(|corner| mesh.vertices[corners[corner] as usize]);
        draw_triangle(screen, corners, texture, clip);
    }
}

/// Fills the pixels whose middle lies inside; an edge that two triangles share is filled once.
fn draw_triangle(screen: &mut RgbImage, mut corners: [Vertex; 3], texture: &ColorImage, clip: Rect) {
    let twice_area = cross(corners[0].pos, corners[1].pos, corners[2].pos);
    if twice_area == 0.0 {
        return;
    }
    if twice_area < 0.0 {
        corners.swap(1, 2);
    }
    let area = twice_area.abs();
    let bounds = Rect::from_points(&corners.map(|corner| corner.pos)).intersect(clip);
    // All pixels whose middle may lie inside or on an edge. Casts of negative floats saturate at zero.
    let (left, top) = ((bounds.left() - 0.5).ceil() as u32, (bounds.top() - 0.5).ceil() as u32);
    let right = ((bounds.right() + 0.5).floor() as u32).min(screen.width());
    let bottom = ((bounds.bottom() + 0.5).floor() as u32).min(screen.height());
    for y in top..bottom {
        for x in left..right {
            let place = Pos2::new(x as f32 + 0.5, y as f32 + 0.5);
            let weights = [(1, 2), (2, 0), (0, 1)].map(|(from, to)| {
                let (from, to) = (corners[from].pos, corners[to].pos);
                let weight = cross(from, to, place);
                let owns_edge = to.y < from.y || (to.y == from.y && to.x > from.x);
                if weight > 0.0 || (weight == 0.0 && owns_edge) { Some(weight / area) } else { None }
            });
            let [Some(a), Some(b), Some(c)] = weights else { continue };
            let mix = |value: &dyn Fn(&Vertex) -> f32| {
                a * value(&corners[0]) + b * value(&corners[1]) + c * value(&corners[2])
            };
            let (u, v) = (mix(&|corner| corner.uv.x), mix(&|corner| corner.uv.y));
            let texel = sample(texture, u, v);
            let tint = [0, 1, 2, 3].map(|channel| mix(&|corner| f32::from(corner.color.to_array()[channel])));
            let source: [f32; 4] = std::array::from_fn(|channel| texel[channel] * tint[channel] / 255.0);
            let Rgb(below) = *screen.get_pixel(x, y);
            // Colors are premultiplied; rounded, and at most 255.
            let over = |channel: usize| {
                (source[channel] + f32::from(below[channel]) * (1.0 - source[3] / 255.0) + 0.5).min(255.0) as u8
            };
            screen.put_pixel(x, y, Rgb([over(0), over(1), over(2)]));
        }
    }
}

fn cross(a: Pos2, b: Pos2, c: Pos2) -> f32 {
    (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x)
}

/// Bilinear between the middles of the samples, held at the rim.
fn sample(texture: &ColorImage, u: f32, v: f32) -> [f32; 4] {
    let along = |share: f32, len: usize| {
        let exact = (share * len as f32 - 0.5).clamp(0.0, len as f32 - 1.0);
        // Clamped to the axis, so the cast rounds down.
        let first = exact as usize;
        (first, (first + 1).min(len - 1), exact - first as f32)
    };
    let (x0, x1, fx) = along(u, texture.size[0]);
    let (y0, y1, fy) = along(v, texture.size[1]);
    let at = |x: usize, y: usize| Color32::to_array(&texture[(x, y)]).map(f32::from);
    let (upper, lower) = ([at(x0, y0), at(x1, y0)], [at(x0, y1), at(x1, y1)]);
    std::array::from_fn(|channel| {
        let row = |pair: &[[f32; 4]; 2]| pair[0][channel] * (1.0 - fx) + pair[1][channel] * fx;
        row(&upper) * (1.0 - fy) + row(&lower) * fy
    })
}
