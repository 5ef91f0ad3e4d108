//! Functions stay short and take few things: lines of a body, and arguments counted through tuples.
use super::source::{Source, rust_files};
use std::collections::BTreeSet;
use syn::visit::{self, Visit};

/// Most lines of code in a body, blank lines and comments not counted.
const MOST_LINES: usize = 60;
/// Most arguments, the receiver not counted; a tuple counts as many as it has parts.
const MOST_ARGUMENTS: usize = 5;

/// A function as the rules see it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Function {
    name: String,
    lines: usize,
    arguments: usize,
}

/// The functions of one file. Methods that a trait asks for take what the trait says, and have no arguments here; the trait's
/// own declaration has them.
struct Functions<'a> {
    lines: Vec<&'a str>,
    of_a_trait: bool,
    found: Vec<Function>,
}

impl Functions<'_> {
    fn note(&mut self, signature: &syn::Signature, body: Option<&syn::Block>) {
        let lines = body.map_or(0, |body| self.lines_of_code(body));
        let arguments = match self.of_a_trait {
            true => 0,
            false => signature.inputs.iter().map(leaves_of_argument).sum(),
        };
        self.found.push(Function {
            name: signature.ident.to_string(),
            lines,
            arguments,
        });
    }

    /// Lines between the braces that are neither blank nor all comment.
    fn lines_of_code(&self, body: &syn::Block) -> usize {
        let braces = body.brace_token.span;
        let inside = braces.open().start().line..braces.close().start().line.saturating_sub(1);
        let is_code =
            |line: &&&str| !line.trim().is_empty() && !line.trim_start().starts_with("//");
        let lines = self.lines.get(inside).unwrap_or_default();
        lines.iter().filter(is_code).count()
    }
}

impl<'a> Visit<'a> for Functions<'_> {
    fn visit_item_fn(&mut self, item: &'a syn::ItemFn) {
        self.note(&item.sig, Some(&item.block));
        visit::visit_item_fn(self, item);
    }

    fn visit_impl_item_fn(&mut self, item: &'a syn::ImplItemFn) {
        self.note(&item.sig, Some(&item.block));
        visit::visit_impl_item_fn(self, item);
    }

    fn visit_trait_item_fn(&mut self, item: &'a syn::TraitItemFn) {
        self.note(&item.sig, item.default.as_ref());
        visit::visit_trait_item_fn(self, item);
    }

    fn visit_item_impl(&mut self, item: &'a syn::ItemImpl) {
        self.of_a_trait = item.trait_.is_some();
        visit::visit_item_impl(self, item);
        self.of_a_trait = false;
    }

    /// Of the macros only `proptest!` holds functions; its arguments are strategies, and its bodies are read as they are.
    fn visit_item_macro(&mut self, item: &'a syn::ItemMacro) {
        let _ = item;
    }
}

fn leaves_of_argument(argument: &syn::FnArg) -> usize {
    match argument {
        syn::FnArg::Receiver(_) => 0,
        syn::FnArg::Typed(argument) => leaves(&argument.ty),
    }
}

/// The parts of a tuple, and of the tuples in it, by value or by reference; 1 for any other type.
fn leaves(of: &syn::Type) -> usize {
    match of {
        syn::Type::Tuple(tuple) => tuple.elems.iter().map(leaves).sum(),
        syn::Type::Reference(reference) => leaves(&reference.elem),
        syn::Type::Paren(inner) => leaves(&inner.elem),
        syn::Type::Group(inner) => leaves(&inner.elem),
        _ => 1,
    }
}

fn functions(source: &Source) -> Vec<Function> {
    let mut functions = Functions {
        lines: source.text.lines().collect(),
        of_a_trait: false,
        found: Vec::new(),
    };
    functions.visit_file(&source.syntax());
    functions.found
}

/// Functions, as `path: name: count`, of which `count` is more than `most`.
fn beyond(most: usize, count: impl Fn(&Function) -> usize) -> BTreeSet<String> {
    let mut checked = 0;
    let mut found = BTreeSet::new();
    for source in rust_files("src", 300)
        .iter()
        .chain(&rust_files("tests", 90))
    {
        for function in functions(source) {
            checked += 1;
            if count(&function) > most {
                let Function { name, .. } = &function;
                found.insert(format!("{}: {name}: {}", source.path, count(&function)));
            }
        }
    }
    assert!(checked > 2000, "only {checked} functions seen");
    found
}

#[test]
fn no_function_is_longer_than_60_lines() {
    let long = beyond(MOST_LINES, |f| f.lines);
    assert!(long.is_empty(), "too long: {long:#?}");
}

#[test]
fn no_function_takes_more_than_five_things() {
    let wide = beyond(MOST_ARGUMENTS, |f| f.arguments);
    assert!(wide.is_empty(), "too many arguments: {wide:#?}");
}

#[test]
fn lines_and_arguments_are_counted_as_they_should() {
    let text = "fn a(x: (u8, &(u8, [u8; 2])), y: &[(u8, u8)]) {\n    // no\n\n    let z = 1;\n    f(|| {\n    });\n}\n\
        trait T { fn b(&self, x: u8); }\nimpl T for X { fn b(&self, x: u8) { } }\nimpl X { fn c(&self, x: &mut (u8, u8)) { } }";
    let source = Source {
        path: "src/x.rs".into(),
        text: text.into(),
    };
    let found: Vec<(String, usize, usize)> = functions(&source)
        .into_iter()
        .map(|f| (f.name, f.lines, f.arguments))
        .collect();
    let expected = [("a", 3, 4), ("b", 0, 1), ("b", 0, 0), ("c", 0, 2)];
    assert_eq!(found, expected.map(|(n, l, a)| (n.to_owned(), l, a)));
}
