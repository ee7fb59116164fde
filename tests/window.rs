//! The built program in a real window: an X server in memory, keys and pointer by xdotool, the whole job
//! from the sample frames to an exported file.
//!
//! Needs Xvfb, xdotool and ImageMagick's import; without them it says so and ends, unless
//! NIGHTSHEAF_REQUIRE_TOOLS is set. Screenshots stay in the build's temporary folder.
#![cfg(feature = "gui")]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, PoisonError};
use std::thread::sleep;
use std::time::{Duration, Instant};

use image::RgbImage;

/// One window at a time: two would take the processor from each other.
static ONE_WINDOW: Mutex<()> = Mutex::new(());

/// The slowest step allowed: a debug build on a busy machine.
const PATIENCE: Duration = Duration::from_secs(300);

/// An X server without a monitor, and one window on it.
struct Screen {
    server: Child,
    display: String,
    program: Option<Child>,
    /// What the program keeps of its own; never the person's.
    home: tempfile::TempDir,
}

impl Drop for Screen {
    fn drop(&mut self) {
        for child in self.program.iter_mut().chain([&mut self.server]) {
            // Either may have ended already.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Screen {
    fn open() -> Self {
        let mut server = Command::new("Xvfb")
            .args(["-displayfd", "1", "-screen", "0", "1280x800x24", "+extension", "GLX", "-nolisten", "tcp"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("Xvfb was found before");
        let mut number = String::new();
        let output = server.stdout.take().expect("its output is piped");
        BufReader::new(output).read_line(&mut number).expect("the server tells its display");
        let home = tempfile::tempdir().expect("a temporary folder");
        Self { server, display: format!(":{}", number.trim()), program: None, home }
    }

    /// Starts the window without a desktop: no portal, so paths are typed.
    fn start(&mut self, arguments: &[&Path]) {
        let program = Command::new(env!("CARGO_BIN_EXE_nightsheaf"))
            .args(arguments)
            .env("DISPLAY", &self.display)
            .env("LIBGL_ALWAYS_SOFTWARE", "1")
            .env("NIGHTSHEAF_HOME", self.home.path())
            .env_remove("WAYLAND_DISPLAY")
            .env("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent")
            .spawn()
            .expect("the program was built");
        self.program = Some(program);
        self.wait_for("the window", |title| title.contains("Nightsheaf"));
        self.tool(&["search", "--sync", "--name", "Nightsheaf", "windowmove", "0", "0", "windowfocus", "--sync"]);
        sleep(Duration::from_millis(300));
    }

    fn tool(&self, arguments: &[&str]) -> String {
        let output = Command::new("xdotool").args(arguments).env("DISPLAY", &self.display).output();
        let output = output.expect("xdotool was found before");
        String::from_utf8_lossy(&output.stdout).trim().to_owned()
    }

    /// Presses keys one after the other, slowly enough for one frame of the screen between them.
    fn press(&self, keys: &[&str]) {
        for key in keys {
            self.tool(&["key", "--clearmodifiers", key]);
            sleep(Duration::from_millis(150));
        }
    }

    fn write(&self, text: &str) {
        self.tool(&["type", "--clearmodifiers", "--delay", "20", text]);
        sleep(Duration::from_millis(200));
    }

    /// Clicks, and clicks again while the window is not ready to hear it yet.
    fn click_until(&mut self, (x, y): (i32, i32), what: &str, met: impl Fn(&str) -> bool) {
        for _ in 0..10 {
            self.tool(&["mousemove", &x.to_string(), &y.to_string()]);
            sleep(Duration::from_millis(300));
            self.tool(&["click", "1"]);
            sleep(Duration::from_millis(1200));
            if met(&self.title()) {
                return;
            }
        }
        panic!("{what} did not begin by ten clicks, the title is {:?}", self.title());
    }

    fn drag(&self, from: (i32, i32), to: (i32, i32)) {
        let place = |(x, y): (i32, i32)| [x.to_string(), y.to_string()];
        let [x, y] = place(from);
        self.tool(&["mousemove", &x, &y]);
        sleep(Duration::from_millis(200));
        self.tool(&["mousedown", "1"]);
        for part in 1..=8 {
            let along = |a: i32, b: i32| a + (b - a) * part / 8;
            let [x, y] = place((along(from.0, to.0), along(from.1, to.1)));
            self.tool(&["mousemove", &x, &y]);
            sleep(Duration::from_millis(40));
        }
        self.tool(&["mouseup", "1"]);
        sleep(Duration::from_millis(300));
    }

    /// The window's title says what it is doing.
    fn title(&self) -> String {
        self.tool(&["search", "--name", "Nightsheaf", "getwindowname"])
    }

    fn wait_for(&mut self, what: &str, met: impl Fn(&str) -> bool) -> String {
        let deadline = Instant::now() + PATIENCE;
        loop {
            let title = self.title();
            if met(&title) {
                return title;
            }
            let program = self.program.as_mut().expect("the program was started");
            let ended = program.try_wait().expect("our own child");
            assert!(ended.is_none(), "the program ended with {ended:?} while waiting for {what}");
            assert!(Instant::now() < deadline, "{what} did not come, the title is {title:?}");
            sleep(Duration::from_millis(200));
        }
    }

    /// A screenshot that shows what is waited for, or the last one before patience ends: a busy machine draws late.
    fn screenshot_of(&self, name: &str, shows: impl Fn(&RgbImage) -> bool) -> RgbImage {
        let deadline = Instant::now() + Duration::from_secs(60);
        loop {
            let screenshot = self.screenshot(name);
            if shows(&screenshot) || Instant::now() > deadline {
                return screenshot;
            }
        }
    }

    fn screenshot(&self, name: &str) -> RgbImage {
        // Tiles arrive within a few frames of the screen.
        sleep(Duration::from_millis(1200));
        let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("window-{name}.png"));
        let mut import = Command::new("import");
        import.args(["-window", "root"]).arg(&path).env("DISPLAY", &self.display);
        assert!(import.status().expect("import was found before").success(), "no screenshot {name}");
        image::open(&path).expect("a PNG was just written").into_rgb8()
    }
}

fn tools_are_there() -> bool {
    let missing: Vec<&str> = ["Xvfb", "xdotool", "import"]
        .into_iter()
        .filter(|tool| Command::new(tool).arg("-version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_err())
        .collect();
    if !missing.is_empty() {
        assert!(std::env::var_os("NIGHTSHEAF_REQUIRE_TOOLS").is_none(), "{missing:?} are needed and not there");
        let _ = writeln!(std::io::stdout(), "skipped: no {missing:?} on this machine");
    }
    missing.is_empty()
}

/// Mean difference of two screenshots in a part of the canvas, in 8-bit codes.
fn difference(a: &RgbImage, b: &RgbImage, x: std::ops::Range<u32>, y: std::ops::Range<u32>) -> f64 {
    let mut sum = 0;
    let n = x.len() * y.len() * 3;
    for row in y {
        for column in x.clone() {
            let pair = a.get_pixel(column, row).0.into_iter().zip(b.get_pixel(column, row).0);
            sum += pair.map(|(a, b)| u64::from(a.abs_diff(b))).sum::<u64>();
        }
    }
    sum as f64 / n as f64
}

#[test]
fn the_whole_job_by_window_from_the_sample_frames_to_a_file() {
    if !tools_are_there() {
        return;
    }
    let _alone = ONE_WINDOW.lock().unwrap_or_else(PoisonError::into_inner);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let target = folder.path().join("night.tif");
    let mut screen = Screen::open();
    screen.start(&[]);
    screen.screenshot("1-empty");

    screen.click_until((640, 403), "the sample frames at work", |title| title != "Nightsheaf");
    screen.wait_for("the measured frames", |title| title.starts_with("11 frames"));
    screen.screenshot("2-loaded");
    // A frame alone: what comes after is compared with it, and no preview takes its place.
    screen.press(&["Left"]);
    let loaded = screen.screenshot("2-frame");

    screen.press(&["n"]);
    let is_red = |picture: &RgbImage| picture.pixels().all(|pixel| pixel.0[1] == 0 && pixel.0[2] == 0);
    let red = screen.screenshot_of("3-red", is_red);
    assert!(is_red(&red), "the red light is red only");
    screen.press(&["n", "n"]);

    screen.press(&["ctrl+Return"]);
    screen.wait_for("the stack at work", |title| title.contains('%'));
    screen.screenshot("4-running");
    screen.wait_for("the stack", |title| title.starts_with("Stack of"));
    let differs = |picture: &RgbImage| difference(&loaded, picture, 520..900, 100..400) > 0.5;
    let stacked = screen.screenshot_of("5-stacked", differs);
    assert!(differs(&stacked), "the stack looks other than one frame");

    screen.drag((472, 300), (800, 300));
    let change = |picture: &RgbImage| difference(&stacked, picture, 500..780, 120..400);
    let moved = screen.screenshot_of("6-divider", |picture| change(picture) > 0.5);
    let changed = change(&moved);
    assert!(changed > 0.5, "between the two places of the divider the single frame is seen now: {changed}");

    screen.press(&["1"]);
    let differs = |picture: &RgbImage| difference(&moved, picture, 100..400, 100..400) > 0.5;
    let closer = screen.screenshot_of("7-full-size", differs);
    assert!(differs(&closer), "100 % shows other pixels");

    screen.press(&["ctrl+q"]);
    screen.screenshot("8-asked-before-closing");
    screen.press(&["Escape", "ctrl+e"]);
    sleep(Duration::from_millis(1500));
    screen.press(&["ctrl+a"]);
    screen.write(&target.display().to_string());
    screen.press(&["Return"]);
    screen.wait_for("the file", |title| title.starts_with("night.tif is written"));
    screen.screenshot("9-written");
    let picture = image::open(&target).expect("a TIFF");
    assert_eq!((picture.width(), picture.height()), (1080, 720), "the size of the sample frames");
    assert!(matches!(picture, image::DynamicImage::ImageRgb16(_)), "16 bits a channel");
    // Saved, the night gives the same file in the terminal.
    let (sheaf, again) = (folder.path().join("tarn.toml"), folder.path().join("again.tif"));
    screen.press(&["ctrl+s"]);
    sleep(Duration::from_millis(1500));
    screen.press(&["ctrl+a"]);
    screen.write(&sheaf.display().to_string());
    screen.press(&["Return"]);
    screen.wait_for("the sheaf", |title| title.contains("· tarn.toml ·"));
    screen.screenshot("10-saved");
    screen.press(&["ctrl+comma"]);
    screen.screenshot("11-preferences");
    screen.press(&["Escape"]);
    let mut export = Command::new(env!("CARGO_BIN_EXE_nightsheaf-cli"));
    let exported =
        export.arg("export").arg(&sheaf).arg("--output").arg(&again).output().expect("the program was built");
    assert!(exported.status.success(), "{}", String::from_utf8_lossy(&exported.stderr));
    let same = std::fs::read(&target).expect("written") == std::fs::read(&again).expect("written");
    assert!(same, "window and terminal write the same bytes");
    screen.press(&["ctrl+q"]);
    let program = screen.program.as_mut().expect("the program was started");
    assert!(program.wait().expect("our own child").success(), "a written stack closes without a question");
}

#[test]
fn a_file_that_is_no_picture_is_named_and_the_window_stays() {
    if !tools_are_there() {
        return;
    }
    let _alone = ONE_WINDOW.lock().unwrap_or_else(PoisonError::into_inner);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let text = folder.path().join("diary.dng");
    std::fs::write(&text, "Clouds until midnight.\n").expect("a small file");
    let mut screen = Screen::open();
    screen.start(&[&text]);
    screen.wait_for("the failure", |title| title.starts_with("Not done"));
    screen.screenshot("12-failure");
    let program = screen.program.as_mut().expect("the program was started");
    assert!(program.try_wait().expect("our own child").is_none(), "the window is still there");
}
