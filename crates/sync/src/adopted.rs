//! Adopted surveys: after a meeting of the crew, a meeting about each survey that the crew's adopts, on a stream of its
//! own. This is the frame by which whoever opens that stream says which; what follows is a meeting like any other.

use leadline_model::SurveyId;

/// Adopted surveys that are carried; of more, those with the lowest ids.
pub const ADOPTED_MAX: usize = 16;
/// Bytes of the frame that names one.
pub const ADOPTED_FRAME: usize = 1 + SurveyId::LEN;
/// Its kind.
const WHICH: u8 = 40;

/// The frame that names an adopted survey.
pub fn adopted_frame(survey: &SurveyId) -> Vec<u8> {
    [&[WHICH][..], &survey.0].concat()
}

/// The survey that such a frame names.
pub fn adopted_of(frame: &[u8]) -> Option<SurveyId> {
    let (kind, id) = frame.split_first()?;
    (*kind == WHICH).then(|| id.try_into().ok().map(SurveyId)).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_whole_frame_names_a_survey() {
        let survey = SurveyId([0x5e; 16]);
        let frame = adopted_frame(&survey);
        assert_eq!((frame.len(), adopted_of(&frame)), (ADOPTED_FRAME, Some(survey)));
        for wrong in [&frame[..16], &[frame.clone(), vec![0]].concat(), &[&[41], &frame[1..]].concat(), &[]] {
            assert_eq!(adopted_of(wrong), None, "{wrong:?}");
        }
    }
}
