//! Small words that several rules share.

pub use crate::units::{capital, list};

/// "take 2", "takes 1 and 3", "every take" for takes counted from 0.
pub fn takes(numbers: &[usize], of: usize) -> String {
    let names: Vec<String> = numbers.iter().map(|n| (n + 1).to_string()).collect();
    match names.as_slice() {
        [] => String::new(),
        all if all.len() == of && of > 1 => "every take".to_owned(),
        [one] => format!("take {one}"),
        all => format!("takes {}", list(all)),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn takes_are_counted_from_one() {
        assert_eq!(super::takes(&[1], 3), "take 2");
        assert_eq!(super::takes(&[0, 2], 3), "takes 1 and 3");
        assert_eq!(super::takes(&[0, 1], 2), "every take");
        assert_eq!(super::takes(&[0], 1), "take 1");
    }
}
