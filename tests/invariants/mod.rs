//! What must stay true of the code itself and of results whatever the input.
mod cards;
mod citations;
mod functions;
mod imports;
mod layout;
mod licences;
mod merging;
mod options;
mod paths;
mod source;
mod wording;
