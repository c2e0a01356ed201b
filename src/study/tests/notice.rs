use std::path::Path;

use super::super::Study;

#[test]
fn limits_of_what_is_noticed_are_checked() {
    for (key, found, allowed) in [
        ("same_r", "0.5", "a correlation from 0.9 to 1"),
        ("large_fd_mm", "0", "mm, above 0"),
        ("least_fd_dvars_r", "2", "a correlation from -1 to 1"),
        ("unlike_site_sd", "-1", "a number of SD, above 0"),
        ("small_fd_mm", "-1", "mm, 0 or more (0: not noticed)"),
        ("short_run_s", "-1", "seconds, 0 or more (0: not noticed)"),
    ] {
        let text = format!(
            "[scans]\ntable = \"runs.tsv\"\n[[parcels]]\nname = \"a\"\nimage = \"a.nii\"\n[notice]\n{key} = {found}\n"
        );
        let told = Study::parse(&text, Path::new("study.toml")).unwrap_err().to_string();
        assert!(told.contains(&format!("line 7: notice.{key} is {found}; expected {allowed}")), "{told}");
    }
}
