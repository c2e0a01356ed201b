//! `atlas-A_desc-M…Adjusted_sites.tsv`: what each site did to each edge.

use crate::group::edges;
use crate::group::site_effects::SiteEffects;
use crate::outputs::{cell, number_cell, text_table};
use crate::stack::gather::parcels::StackedAtlas;

/// One row per edge: mean and SD that were assumed, slopes of what is kept, then children, location and scale of each
/// site. Correlations as Fisher's z; n/a where an edge was not fitted.
pub(crate) fn table(effects: &SiteEffects, atlas: &StackedAtlas) -> String {
    let parcels = atlas.stacked();
    let mut header = ["edge", "name_1", "name_2", "mean", "sd"].map(str::to_owned).to_vec();
    header.extend(effects.sites.kept.iter().map(|name| format!("slope_{}", cell(name))));
    for site in &effects.sites.names {
        header.extend(["children", "location", "scale"].map(|what| format!("{what}_{}", cell(site))));
    }
    let rows: Vec<Vec<String>> = edges(parcels.len())
        .enumerate()
        .map(|(edge, (i, j))| {
            let mut cells = vec![edge.to_string(), parcels[i].name.clone(), parcels[j].name.clone()];
            cells.extend([effects.mean[edge], effects.sd[edge]].map(number_cell));
            cells.extend(effects.kept.row(edge).iter().map(|&slope| number_cell(slope)));
            for site in 0..effects.sites.names.len() {
                cells.push(effects.children[[edge, site]].to_string());
                cells.extend([effects.location[[edge, site]], effects.scale[[edge, site]]].map(number_cell));
            }
            cells
        })
        .collect();
    text_table(&header, &rows)
}
