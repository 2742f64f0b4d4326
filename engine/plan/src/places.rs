//! Lists with one entry for each thing of a piece, brought over to a changed piece by the names of things.

/// Sets an entry of a list, if there is one.
pub fn set<T>(list: &mut [T], index: usize, value: T) {
    if let Some(place) = list.get_mut(index) {
        *place = value;
    }
}

/// For each thing of a changed piece its place in the piece before.
pub fn places<T>(old: &[T], new: &[T], same: impl Fn(&T, &T) -> bool) -> Vec<Option<usize>> {
    new.iter().map(|new| old.iter().position(|old| same(old, new))).collect()
}

/// Brings each entry of a list to its thing's place in a changed piece; `blank` stands where the thing is new.
pub fn carry<T: Clone>(list: &mut Vec<T>, places: &[Option<usize>], blank: T) {
    let value = |place: &Option<usize>| place.and_then(|place| list.get(place).cloned()).unwrap_or(blank.clone());
    *list = places.iter().map(value).collect();
}
