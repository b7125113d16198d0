//! The chart as a picture for letters, which show no SVG: drawn with letters of its own, the same
//! on every machine.

use std::collections::BTreeMap;
use std::sync::{Arc, LazyLock};

use resvg::tiny_skia::{Pixmap, PremultipliedColorU8, Transform};
use resvg::usvg::{Options, Tree, fontdb};

/// The largest picture made, in bytes: a letter with it stays far from what relays refuse.
pub const MOST_BYTES: usize = 60_000;

/// The widths tried, of the chart's own: sharp on a telephone first, then what fits.
const SCALES: [f32; 3] = [1.0, 0.75, 0.5];

/// What a palette holds.
const MOST_COLOURS: usize = 256;

type Rgb = [u8; 3];

static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_data(include_bytes!("fonts/dejavu-sans-subset.ttf").to_vec());
    fonts.load_font_data(include_bytes!("fonts/dejavu-sans-bold-subset.ttf").to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    Arc::new(fonts)
});

/// Draws a [chart](super::svg) as PNG of at most [`MOST_BYTES`]; `None` if it does not come out
/// so small, or at all.
#[must_use]
pub fn png(svg: &str) -> Option<Vec<u8>> {
    let options = Options { fontdb: Arc::clone(&FONTS), ..Options::default() };
    let tree = Tree::from_str(svg, &options).ok()?;
    let mut pictures = SCALES.iter().filter_map(|scale| picture(&tree, *scale));
    pictures.find(|picture| picture.len() <= MOST_BYTES)
}

fn picture(tree: &Tree, scale: f32) -> Option<Vec<u8>> {
    let size = tree.size().to_int_size().scale_by(scale)?;
    let mut pixels = Pixmap::new(size.width(), size.height())?;
    resvg::render(tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    let colours: Vec<Rgb> = pixels.pixels().iter().map(|pixel| rgb(*pixel)).collect();
    encode([size.width(), size.height()], &colours)
}

/// The chart covers all of its ground: nothing shines through.
fn rgb(pixel: PremultipliedColorU8) -> Rgb {
    [pixel.red(), pixel.green(), pixel.blue()]
}

/// With a palette, a third of the size.
fn encode([width, height]: [u32; 2], colours: &[Rgb]) -> Option<Vec<u8>> {
    let (palette, indices) = indexed(colours);
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(palette.as_flattened());
    encoder.set_compression(png::Compression::Balanced);
    encoder.set_filter(png::Filter::NoFilter);
    let mut writer = encoder.write_header().ok()?;
    writer.write_image_data(&indices).ok()?;
    writer.finish().ok()?;
    Some(out)
}

/// At most 256 colours: where there are more, those that differ least are taken for the most
/// frequent of them, so that areas keep theirs and only the soft edges of lines change.
fn indexed(colours: &[Rgb]) -> (Vec<Rgb>, Vec<u8>) {
    let mut counts: BTreeMap<Rgb, u32> = BTreeMap::new();
    for run in runs(colours) {
        *counts.entry(run[0]).or_default() += u32::try_from(run.len()).unwrap_or(u32::MAX);
    }
    let coarse = |shift: u32, colour: Rgb| colour.map(|part| part >> shift);
    let groups = |shift: u32| {
        let mut groups: BTreeMap<Rgb, (u32, Rgb)> = BTreeMap::new();
        for (colour, count) in &counts {
            let most = groups.entry(coarse(shift, *colour)).or_default();
            *most = (*most).max((*count, *colour));
        }
        groups
    };
    // Six bits dropped leave 64 groups at most.
    let (shift, groups) = (0..6)
        .map(|shift| (shift, groups(shift)))
        .find(|(_, groups)| groups.len() <= MOST_COLOURS)
        .unwrap_or_else(|| (6, groups(6)));
    let numbers: BTreeMap<Rgb, u8> = groups.keys().copied().zip(0..=u8::MAX).collect();
    let palette = groups.values().map(|(_, colour)| *colour).collect();
    let number = |colour: &Rgb| numbers.get(&coarse(shift, *colour)).copied().unwrap_or_default();
    let alike = |run: &[Rgb]| std::iter::repeat_n(number(&run[0]), run.len());
    (palette, runs(colours).flat_map(alike).collect())
}

/// Neighbours of one colour, of which a chart has many, together; none is empty.
fn runs(colours: &[Rgb]) -> impl Iterator<Item = &[Rgb]> {
    colours.chunk_by(|one, next| one == next)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_colours_stay_as_they_are() {
        let (palette, indices) = indexed(&[[1, 2, 3], [255, 0, 0], [1, 2, 3]]);
        assert_eq!(palette, [[1, 2, 3], [255, 0, 0]]);
        assert_eq!(indices, [0, 1, 0]);
    }

    #[test]
    fn many_colours_keep_the_frequent_ones() {
        let rare = (0..=255).flat_map(|r| (0..16).map(move |g| [r, g * 16, 77]));
        let colours: Vec<Rgb> = [[243, 248, 251]; 500].into_iter().chain(rare).collect();
        let (palette, indices) = indexed(&colours);
        assert!(palette.len() <= MOST_COLOURS);
        assert_eq!(palette[usize::from(indices[0])], [243, 248, 251]);
        let near = |index: usize| {
            let shown = palette[usize::from(indices[index])];
            (0..3).all(|part| shown[part].abs_diff(colours[index][part]) < 64)
        };
        assert!((0..colours.len()).all(near));
    }

    #[test]
    fn what_is_no_chart_gives_no_picture() {
        assert_eq!(png("no chart"), None);
        assert_eq!(png(r#"<svg xmlns="http://www.w3.org/2000/svg"/>"#).map(|_| ()), Some(()));
    }
}
