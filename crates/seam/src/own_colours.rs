//! Land's own colours near its edge: what the matte is told by, and what the edge is given.

use nightloom_raster::Plane;

use crate::{
    Evidence, SeamError, SkyModel, Work,
    hearts::{Among, Hearts},
    land_model::LandModel,
    sky_likeness::{Likeness, starlit},
    zone::Zone,
};

/// Alpha below which a pixel's colour goes into the land's mean for edge colours: a tenth of a bright
/// sky would already outshine dark land.
const OPAQUE: f32 = 0.02;
/// Land this near to ground that lets no sky through is taken for solid, pixels.
const SOLID_PX: usize = 48;

/// Land that lies deep: no sky is seen in it.
pub(crate) fn deep_colours(
    evidence: &Evidence,
    zone: &Zone,
    sky: &SkyModel,
    work: &Work,
) -> Result<LandModel, SeamError> {
    let deep = |x, y| {
        let ground = zone.is_ground(x, y) && !starlit(evidence, sky, x, y);
        f32::from(u8::from(ground))
    };
    LandModel::fit(evidence.land, &deep, work)
}

/// What land's own colours near its edge are told by.
#[derive(Clone, Copy)]
pub(crate) struct OwnColours<'a> {
    pub(crate) evidence: &'a Evidence<'a>,
    pub(crate) zone: &'a Zone,
    pub(crate) sky: &'a SkyModel,
    /// Land that lies deep.
    pub(crate) deep: &'a LandModel,
}

impl OwnColours<'_> {
    /// The mean colours of all that is land, for the land's colours at its edge.
    ///
    /// Hearts of twigs, which the matte is told by, lie off the mean on purpose.
    pub(crate) fn at_edge(&self, alpha: &Plane, work: &Work) -> Result<LandModel, SeamError> {
        let solid = self.zone.beside_solid(SOLID_PX);
        let land = |x: usize, y: usize| alpha.at(x, y) < OPAQUE && !starlit(self.evidence, self.sky, x, y);
        let hearts = Hearts::of(self.evidence, self.sky, self.deep, &land);
        let opaque = |x, y| {
            // Where sky shines through all over, what seems opaque is so no more than its heart.
            let own = land(x, y) && (solid(x, y) || hearts.is_heart([x, y], Among::Crown));
            f32::from(u8::from(own))
        };
        LandModel::fit(self.evidence.land, &opaque, work)
    }

    /// Land's own colours near the edge, from what surely hangs on it.
    ///
    /// Twigs have colours of their own: they are taken from the hearts of their crown.
    pub(crate) fn of_core(&self, likeness: &Likeness, work: &Work) -> Result<LandModel, SeamError> {
        let zone = self.zone;
        let solid = zone.beside_solid(SOLID_PX);
        let land = |x: usize, y: usize| likeness.on_land(x, y) && !starlit(self.evidence, self.sky, x, y);
        let hearts = Hearts::of(self.evidence, self.sky, self.deep, &land);
        let core = |x: usize, y: usize| {
            let doubtful = zone.is_doubtful(x, y);
            let sure = likeness.told_land(x, y) || (likeness.deep_land(x, y) && !doubtful);
            let among = match zone.at(x, y) & Zone::GAP == 0 && !doubtful && solid(x, y) {
                true => Among::Beside,
                false => Among::Crown,
            };
            land(x, y) && (sure || hearts.is_heart([x, y], among))
        };
        let core = |x, y| f32::from(u8::from(core(x, y)));
        LandModel::fit(self.evidence.land, &core, work)
    }
}
