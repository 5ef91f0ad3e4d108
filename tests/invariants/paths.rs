//! The paths a source file names, resolved from the root of its crate, and the files that only unit tests use.
use super::source::{Source, rust_files};
use std::collections::BTreeSet;
use std::sync::OnceLock;
use syn::visit::{self, Visit};

/// The first two names of a path: `["crate", "units"]` for a module of the file's own crate, however it is reached,
/// `["stopspan_core", "raster"]` for one of another. The second is empty where a crate is imported as a whole.
pub type Named = [String; 2];

/// A file under src, and every path that its code names, unit tests left out.
pub struct Code {
    /// The file.
    pub source: Source,
    /// The paths.
    pub names: BTreeSet<Named>,
}

/// All files under src but those that only unit tests use. Parsed once for all tests.
pub fn code() -> &'static [Code] {
    static CODE: OnceLock<Vec<Code>> = OnceLock::new();
    CODE.get_or_init(|| {
        let (mut files, mut tests) = (Vec::new(), BTreeSet::new());
        for source in rust_files("src", 300) {
            let tree = source.syntax();
            tests.extend(test_only(&source, &tree));
            let names = named(&source, &tree);
            files.push(Code { source, names });
        }
        files.retain(|c| !tests.contains(&c.source.path));
        files
    })
}

fn named(source: &Source, tree: &syn::File) -> BTreeSet<Named> {
    let mut paths = Paths {
        module: module(source),
        found: BTreeSet::new(),
    };
    paths.visit_file(tree);
    paths.found
}

/// Files that a `#[cfg(test)] mod name;` makes part of the unit tests, which may use any room.
fn test_only(source: &Source, tree: &syn::File) -> Vec<String> {
    let folder = source.folder_of_modules();
    let modules = tree.items.iter().filter_map(|item| match item {
        syn::Item::Mod(item) if item.content.is_none() && for_tests(&item.attrs) => Some(item),
        _ => None,
    });
    modules
        .map(|m| format!("{folder}/{}.rs", m.ident))
        .collect()
}

/// The module that a file is, as names from the root of its crate.
fn module(source: &Source) -> Vec<String> {
    let root = match source.part() {
        "lib" | "pipeline" | "desk" => "src/".to_owned(),
        part => format!("src/{part}/"),
    };
    let inside = source.path.strip_prefix(&root).unwrap();
    let mut names: Vec<String> = inside
        .trim_end_matches(".rs")
        .split('/')
        .map(str::to_owned)
        .collect();
    names.pop_if(|last| ["lib", "main", "mod"].contains(&last.as_str()));
    names
}

/// Whether an item is compiled for unit tests only.
pub fn for_tests(attributes: &[syn::Attribute]) -> bool {
    let is_test = |a: &syn::Attribute| {
        a.path().is_ident("cfg")
            && a.parse_args::<syn::Ident>()
                .is_ok_and(|name| name == "test")
    };
    attributes.iter().any(is_test)
}

struct Paths {
    module: Vec<String>,
    found: BTreeSet<Named>,
}

impl Paths {
    fn note(&mut self, path: &[String]) {
        let mut above = self.module.clone();
        let mut rest = path;
        while let [first, more @ ..] = rest {
            match first.as_str() {
                "super" => drop(above.pop()),
                "self" => {}
                _ => break,
            }
            rest = more;
        }
        let whole = match rest.len() == path.len() {
            true => path.to_vec(),
            false => [&["crate".to_owned()], above.as_slice(), rest].concat(),
        };
        if let [first, second, ..] = whole.as_slice() {
            self.found.insert([first.clone(), second.clone()]);
        }
    }

    fn note_tree(&mut self, before: &[String], tree: &syn::UseTree) {
        let with = |name: &syn::Ident| [before, &[name.to_string()]].concat();
        match tree {
            syn::UseTree::Path(path) => self.note_tree(&with(&path.ident), &path.tree),
            syn::UseTree::Group(group) => {
                for tree in &group.items {
                    self.note_tree(before, tree);
                }
            }
            syn::UseTree::Name(name) if before.is_empty() => self.note_crate(&name.ident),
            syn::UseTree::Rename(name) if before.is_empty() => self.note_crate(&name.ident),
            syn::UseTree::Name(name) => self.note(&with(&name.ident)),
            syn::UseTree::Rename(name) => self.note(&with(&name.ident)),
            _ => self.note(before),
        }
    }

    fn note_crate(&mut self, name: &syn::Ident) {
        self.found.insert([name.to_string(), String::new()]);
    }

    /// Paths in the arguments of a macro or an attribute, which the parser leaves as tokens.
    fn note_tokens(&mut self, tokens: proc_macro2::TokenStream) {
        use proc_macro2::TokenTree::{Group, Ident, Punct};
        let mut path: Vec<String> = Vec::new();
        let mut colons = 0;
        for token in tokens {
            match token {
                Punct(p) if p.as_char() == ':' => colons += 1,
                Ident(name) => {
                    if colons != 2 {
                        self.note(&std::mem::take(&mut path));
                    }
                    path.push(name.to_string());
                    colons = 0;
                }
                Group(group) => self.note_tokens(group.stream()),
                _ => colons = 0,
            }
        }
        self.note(&path);
    }
}

impl<'a> Visit<'a> for Paths {
    fn visit_item_mod(&mut self, item: &'a syn::ItemMod) {
        if !for_tests(&item.attrs) {
            self.module.push(item.ident.to_string());
            visit::visit_item_mod(self, item);
            self.module.pop();
        }
    }

    fn visit_item_fn(&mut self, item: &'a syn::ItemFn) {
        if !for_tests(&item.attrs) {
            visit::visit_item_fn(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'a syn::ItemUse) {
        if !for_tests(&item.attrs) {
            self.note_tree(&[], &item.tree);
        }
    }

    fn visit_path(&mut self, path: &'a syn::Path) {
        let names = path.segments.iter().map(|s| s.ident.to_string());
        self.note(&names.collect::<Vec<_>>());
        visit::visit_path(self, path);
    }

    fn visit_meta_list(&mut self, list: &'a syn::MetaList) {
        visit::visit_meta_list(self, list);
        self.note_tokens(list.tokens.clone());
    }

    fn visit_macro(&mut self, item: &'a syn::Macro) {
        visit::visit_macro(self, item);
        self.note_tokens(item.tokens.clone());
    }
}

#[test]
fn every_way_to_name_a_module_is_seen() {
    let text = "use crate::{frames::{Bracket, Frame}, error::Error as E};\n// stopspan_tone::x\nuse super::super::align::x;\nuse stopspan_frames as frames;\n\
        #[cfg(test)]\nuse crate::cli;\nfn f() { let a = stopspan_core::units::Stops(1.0); println!(\"{}\", crate::model::X); }\n\
        #[cfg(test)]\nmod tests {\nuse crate::cli;\n}";
    let source = Source {
        path: "src/core/merge/map.rs".into(),
        text: text.into(),
    };
    let found = named(&source, &source.syntax());
    let own = found.iter().filter(|[of, _]| of == "crate");
    let own: Vec<&str> = own.map(|[_, name]| name.as_str()).collect();
    assert_eq!(own, ["align", "error", "frames", "model"]);
    let other = found.iter().filter(|[of, _]| of.starts_with("stopspan"));
    let other: Vec<String> = other.map(|path| path.join(" ")).collect();
    assert_eq!(other, ["stopspan_core units", "stopspan_frames "]);
}
