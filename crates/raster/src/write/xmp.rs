//! An XMP packet (ISO 16684-1) with the names of Dublin Core, EXIF (CIPA DC-010) and IPTC.

use super::about::{About, COMPOSITE_CAPTURE, SOFTWARE};
use super::exif::ratio;

/// What stands before the packet in a JPEG's segment (ISO 16684-3).
pub(super) const JPEG_HEAD: &[u8] = b"http://ns.adobe.com/xap/1.0/\0";
/// The keyword of the packet in a PNG (ISO 16684-3).
pub(super) const PNG_KEYWORD: &str = "XML:com.adobe.xmp";

/// The packet, UTF-8. The same words, the same bytes.
pub(super) fn packet(about: &About) -> String {
    let mut inner = String::new();
    let mut simple = |name: &str, value: Option<String>| {
        if let Some(value) = value.filter(|v| !v.trim().is_empty()) {
            inner.push_str(&format!("   <{name}>{}</{name}>\n", escaped(value.trim())));
        }
    };
    let fraction = |v: Option<f64>| v.and_then(ratio).map(|[n, d]| format!("{n}/{d}"));
    simple("xmp:CreatorTool", Some(SOFTWARE.into()));
    if let Some(taken) = &about.taken {
        let local = taken.local.get(..19).unwrap_or(&taken.local);
        let zone = taken.offset.as_deref().unwrap_or("");
        simple("exif:DateTimeOriginal", Some(format!("{local}{zone}")));
        simple("xmp:CreateDate", taken.utc.clone());
    }
    simple("tiff:Make", about.make.clone());
    simple("tiff:Model", about.model.clone());
    simple("exifEX:LensModel", about.lens.clone());
    simple("exif:ExposureTime", fraction(about.exposure_s));
    simple("exif:FNumber", fraction(about.f_number));
    simple("exif:FocalLength", fraction(about.focal_mm));
    simple(
        "exifEX:PhotographicSensitivity",
        about.iso.map(|v| format!("{v:.0}")),
    );
    if about.frames > 1 {
        simple("exifEX:CompositeImage", Some("2".into()));
        simple("Iptc4xmpExt:DigitalSourceType", Some(COMPOSITE_CAPTURE.into()));
    }
    if let Some(place) = about.place {
        simple("exif:GPSLatitude", Some(angle(place.latitude_deg, ["N", "S"])));
        simple("exif:GPSLongitude", Some(angle(place.longitude_deg, ["E", "W"])));
    }
    let mut list = |name: &str, kind: &str, value: &Option<String>| {
        let Some(value) = value.as_deref().map(str::trim).filter(|v| !v.is_empty()) else {
            return;
        };
        let language = if kind == "Alt" {
            " xml:lang=\"x-default\""
        } else {
            ""
        };
        inner.push_str(&format!(
            "   <{name}><rdf:{kind}><rdf:li{language}>{}</rdf:li></rdf:{kind}></{name}>\n",
            escaped(value)
        ));
    };
    list("dc:description", "Alt", &about.description);
    list("dc:creator", "Seq", &about.creator);
    list("dc:rights", "Alt", &about.copyright);
    format!(
        "<?xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n\
         <x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n \
         <rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n  \
         <rdf:Description rdf:about=\"\" xmlns:dc=\"http://purl.org/dc/elements/1.1/\" \
         xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\" xmlns:tiff=\"http://ns.adobe.com/tiff/1.0/\" \
         xmlns:exif=\"http://ns.adobe.com/exif/1.0/\" xmlns:exifEX=\"http://cipa.jp/exif/1.0/\" \
         xmlns:Iptc4xmpExt=\"http://iptc.org/std/Iptc4xmpExt/2008-02-29/\">\n\
         {inner}  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>"
    )
}

/// `46,31.200000N`, as XMP has a GPS coordinate.
fn angle(degrees: f64, [plus, minus]: [&str; 2]) -> String {
    // In millionths of a minute, so that 59.9999999 does not become 60.
    let millionths = (degrees.abs() * 60e6).round() as u64;
    let side = if degrees < 0.0 { minus } else { plus };
    let minutes = millionths % 60_000_000;
    format!(
        "{},{}.{:06}{side}",
        millionths / 60_000_000,
        minutes / 1_000_000,
        minutes % 1_000_000
    )
}

fn escaped(text: &str) -> String {
    let kept: String = text
        .chars()
        .filter(|c| !c.is_control() || matches!(c, '\n' | '\t'))
        .collect();
    kept.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
