//! The sky against outside tables.

#[path = "all/atmosphere.rs"]
mod atmosphere;
#[path = "all/bodies.rs"]
mod bodies;
#[path = "all/brightness.rs"]
mod brightness;
#[path = "all/catalogue.rs"]
mod catalogue;
#[path = "all/figures.rs"]
mod figures;
#[path = "all/geotiff.rs"]
mod geotiff;
#[path = "all/horizon.rs"]
mod horizon;
#[path = "all/magnetic.rs"]
mod magnetic;
#[path = "all/night.rs"]
mod night;
#[path = "all/night_subjects.rs"]
mod night_subjects;
#[path = "all/pole.rs"]
mod pole;
#[path = "all/positions.rs"]
mod positions;
#[path = "all/site.rs"]
mod site;
#[path = "all/skyline.rs"]
mod skyline;
#[path = "all/skyline_csv.rs"]
mod skyline_csv;
#[path = "all/subjects.rs"]
mod subjects;
#[path = "all/table.rs"]
mod table;
#[path = "all/utm.rs"]
mod utm;
