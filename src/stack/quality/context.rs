//! What the quality of a stack is judged by, besides its edges: the children, their groups and the study's settings.

use serde_json::Value;

use super::facts::ChildrenFacts;
use super::groups::Groups;
use super::studies::Studies;
use crate::group::exchange::Blocks;
use crate::group::quality::QualityError;
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::error::StackError;
use crate::stack::gather::folders::Folders;
use crate::stack::gather::kind::Kind;
use crate::stack::gather::parcels::StackedAtlas;
use crate::stack::gather::request::StackRequest;
use crate::stack::gather::step::Listener;
use crate::stack::gather::work::Work;

/// What the quality is judged by.
pub(crate) struct QualityContext<'a> {
    pub results: &'a Folders,
    pub request: &'a StackRequest,
    pub found: &'a GatheredChildren,
    pub atlases: &'a [StackedAtlas],
    /// Of the cohort table.
    pub header: &'a [String],
    pub studies: Studies,
    /// Which rows belong together.
    pub blocks: &'a Blocks,
    pub(super) children: ChildrenFacts,
    pub(super) groups: Groups,
    /// 1/(dof − 2) of each child.
    pub(crate) sampling: Vec<f64>,
    /// Who and what is in the stack, as `stack.json` has it.
    pub chosen: Value,
    pub tell: Listener<'a>,
}

pub(crate) fn atlas_of<'a>(atlases: &'a [StackedAtlas], kind: &Kind) -> Option<&'a StackedAtlas> {
    atlases.iter().find(|atlas| atlas.name == kind.atlas)
}

impl<'a> QualityContext<'a> {
    /// Reads what the cohort table says of the children; `header` is its first line, `chosen` who and what is in the
    /// stack.
    pub(crate) fn read(
        work: &Work<'a>,
        request: &'a StackRequest,
        header: &'a [String],
        chosen: Value,
    ) -> Result<Self, StackError> {
        let Work { results, found, blocks, atlases, tell, .. } = *work;
        let blocks = &blocks.blocks;
        let studies = Studies::read(results, found);
        let children = ChildrenFacts::read(results, header, found, &studies)?;
        let sampling = {
            let dof: Vec<f64> = children.facts.iter().map(|facts| facts.kept.dof).collect();
            children.sampling(results, found, request.weights, &dof)?
        };
        let groups = Groups::read(request.group.as_deref(), header, found, blocks, &children.facts)?;
        Ok(Self { results, request, found, atlases, header, studies, blocks, children, groups, sampling, chosen, tell })
    }

    /// An error of a child's matrix.
    pub(crate) fn error(&self, results: &Folders, kind: usize, child: usize, source: QualityError) -> StackError {
        let (path, _) = self.found.children[child].matrix(results, &self.found.kinds, kind);
        StackError::Quality { path, source }
    }
}
