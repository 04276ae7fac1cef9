//! `warmside care`: a draft of what a species needs, from literature, for the keeper to confirm.

use super::{Exit, out};
use crate::care::draft;
use crate::terms::quantity::Degrees;

/// Drafts a [care.…] table for a species from literature, with the source of each figure
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  warmside care \"corn snake\"\n  warmside care --unit F corn-snake\n  warmside care  # lists the species"
)]
pub struct Args {
    /// Its id, common or scientific name; left out: lists the species that are known
    species: Option<String>,
    /// The degrees of the draft: C or F
    #[arg(long, default_value = "C", value_parser = ["C", "F"])]
    unit: String,
}

pub fn run(args: &Args) -> Exit {
    let Some(species) = &args.species else {
        for (id, common, scientific) in draft::known() {
            out::result(format_args!("{id:<28} {common}, {scientific}"));
        }
        return Exit::Done;
    };
    match draft::draft(species, if args.unit == "F" { Degrees::F } else { Degrees::C }) {
        Ok(table) => {
            out::result(table.trim_end());
            Exit::Done
        }
        Err(why) => out::failed(why),
    }
}
