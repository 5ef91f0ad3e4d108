//! The older encoding of gain map metadata, as attributes of an XMP packet (ISO 16684-1).
use super::metadata::{ChannelGain, GainMetadata};

/// Namespace of the properties.
const GAIN: &str = "http://ns.adobe.com/hdr-gain-map/1.0/";
const RDF: &str = "http://www.w3.org/1999/02/22-rdf-syntax-ns#";

/// XMP packet of the gain map picture. Offsets and limits are those of the first channel.
pub(super) fn of_map(metadata: &GainMetadata) -> String {
    let Some(channel) = metadata.channels.first() else {
        return String::new();
    };
    let properties = [
        ("GainMapMin", channel.min),
        ("GainMapMax", channel.max),
        ("Gamma", channel.gamma),
        ("OffsetSDR", channel.base_offset),
        ("OffsetHDR", channel.alternate_offset),
        ("HDRCapacityMin", metadata.base_headroom),
        ("HDRCapacityMax", metadata.alternate_headroom),
    ];
    let list: String = properties
        .iter()
        .map(|(name, value)| format!(" hdrgm:{name}=\"{value:.6}\""))
        .collect();
    packet(&format!(
        "xmlns:hdrgm=\"{GAIN}\" hdrgm:Version=\"1.0\" hdrgm:BaseRenditionIsHDR=\"False\"{list}/>"
    ))
}

/// XMP packet of the base picture: announces the gain map after it and its length in bytes.
pub(super) fn of_base(gain_map_bytes: usize) -> String {
    const CONTAINER: &str = "http://ns.google.com/photos/1.0/container/";
    let item = |semantic: &str, length: String| {
        format!(
            "<rdf:li rdf:parseType=\"Resource\"><Container:Item Item:Mime=\"image/jpeg\" \
             Item:Semantic=\"{semantic}\"{length}/></rdf:li>"
        )
    };
    let length = format!(" Item:Length=\"{gain_map_bytes}\"");
    packet(&format!(
        "xmlns:hdrgm=\"{GAIN}\" xmlns:Container=\"{CONTAINER}\" xmlns:Item=\"{CONTAINER}item/\" \
         hdrgm:Version=\"1.0\"><Container:Directory><rdf:Seq>{}{}</rdf:Seq></Container:Directory></rdf:Description>",
        item("Primary", String::new()),
        item("GainMap", length)
    ))
}

fn packet(description: &str) -> String {
    format!(
        "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\"><rdf:RDF xmlns:rdf=\"{RDF}\"><rdf:Description rdf:about=\"\" \
         {description}</rdf:RDF></x:xmpmeta>"
    )
}

/// Parses the packet of a gain map. Missing properties have the defaults of this encoding: minimum gain and headroom
/// 0, gamma 1, offsets 1/64. `None` without version, maximum gain and maximum headroom, or with unusable numbers.
pub(super) fn read_map(text: &str) -> Option<GainMetadata> {
    property(text, "Version")?;
    if property(text, "BaseRenditionIsHDR").is_some_and(|v| v.first().is_some_and(|v| v == "True"))
    {
        return None; // the base would be the brighter picture; nothing here is made for that
    }
    let numbers = |name: &str, usual: Option<f64>| -> Option<Vec<f64>> {
        match property(text, name) {
            Some(values) => values.iter().map(|v| v.parse().ok()).collect(),
            None => usual.map(|v| vec![v]),
        }
    };
    let min = numbers("GainMapMin", Some(0.0))?;
    let max = numbers("GainMapMax", None)?;
    let gamma = numbers("Gamma", Some(1.0))?;
    let base = numbers("OffsetSDR", Some(1.0 / 64.0))?;
    let alternate = numbers("OffsetHDR", Some(1.0 / 64.0))?;
    let lists = [&min, &max, &gamma, &base, &alternate];
    let count = lists.iter().map(|l| l.len()).max()?;
    let pick = |list: &[f64], k: usize| list.get(k).or(list.first()).copied();
    let channels = (0..count).map(|k| {
        Some(ChannelGain {
            min: pick(&min, k)?,
            max: pick(&max, k)?,
            gamma: pick(&gamma, k)?,
            base_offset: pick(&base, k)?,
            alternate_offset: pick(&alternate, k)?,
        })
    });
    GainMetadata {
        base_headroom: *numbers("HDRCapacityMin", Some(0.0))?.first()?,
        alternate_headroom: *numbers("HDRCapacityMax", None)?.first()?,
        base_primaries: true,
        channels: channels.collect::<Option<_>>()?,
    }
    .if_sound()
}

/// Length in bytes of the gain map, according to the packet of the base picture.
pub(super) fn read_base(text: &str) -> Option<usize> {
    let mut items = text.split("<Container:Item").skip(1);
    let of_map = |item: &&str| {
        item.split('>')
            .next()
            .is_some_and(|i| i.contains("\"GainMap\""))
    };
    let item = items.find(of_map)?.split('>').next()?;
    let value = item.split("Item:Length=\"").nth(1)?.split('"').next()?;
    value.trim().parse().ok()
}

/// Values of a property, written as an attribute or as an element with a list.
fn property(text: &str, name: &str) -> Option<Vec<String>> {
    let attribute = format!("hdrgm:{name}=");
    if let Some(rest) = text.split(&attribute).nth(1) {
        let quote = rest.chars().next().filter(|c| matches!(c, '"' | '\''))?;
        let value = rest[1..].split(quote).next()?;
        return Some(vec![value.trim().to_owned()]);
    }
    let (open, close) = (format!("<hdrgm:{name}>"), format!("</hdrgm:{name}>"));
    let inside = text.split(&open).nth(1)?.split(&close).next()?;
    if !inside.contains("<rdf:li>") {
        return Some(vec![inside.trim().to_owned()]);
    }
    let values = inside.split("<rdf:li>").skip(1);
    values
        .map(|v| Some(v.split("</rdf:li>").next()?.trim().to_owned()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_packet_comes_back() {
        let metadata = GainMetadata {
            base_headroom: 0.0,
            alternate_headroom: 2.3,
            base_primaries: true,
            channels: vec![ChannelGain {
                min: -0.25,
                max: 2.5,
                gamma: 1.0,
                base_offset: 1.0 / 64.0,
                alternate_offset: 1.0 / 64.0,
            }],
        };
        assert_eq!(read_map(&of_map(&metadata)), Some(metadata));
        assert_eq!(read_base(&of_base(4711)), Some(4711));
        assert_eq!(
            read_base(&of_map(&read_map("").unwrap_or(GainMetadata {
                base_headroom: 0.0,
                alternate_headroom: 0.0,
                base_primaries: true,
                channels: vec![],
            }))),
            None
        );
        assert_eq!(read_map("hdrgm:Version=\"1.0\""), None);
    }

    #[test]
    fn lists_of_three_are_read() {
        let text = "hdrgm:Version=\"1.0\" hdrgm:HDRCapacityMax='3' <hdrgm:GainMapMax><rdf:Seq><rdf:li>1</rdf:li>\
                    <rdf:li>2</rdf:li><rdf:li>3</rdf:li></rdf:Seq></hdrgm:GainMapMax>";
        let found = read_map(text).unwrap();
        let most: Vec<f64> = found.channels.iter().map(|c| c.max).collect();
        assert_eq!(most, [1.0, 2.0, 3.0]);
    }
}
