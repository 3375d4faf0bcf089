//! The command line as typed. Help, completions and the man page come from here.

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Log depth and position from small boats, bring it to one level, and share the map without a server
#[derive(Debug, Parser)]
#[command(
    name = "leadline",
    version,
    propagate_version = true,
    max_term_width = 100,
    after_help = "Begin with:  leadline demo\n\nFor planning and fishing, not for navigation."
)]
pub(crate) struct Cli {
    /// The device's folder
    #[arg(long, global = true, env = "LEADLINE_HOME", value_name = "DIR")]
    pub home: Option<PathBuf>,
    /// Which survey, by name or start of its id; not needed in a home with one
    #[arg(long, global = true, value_name = "NAME")]
    pub survey: Option<String>,
    /// Print one JSON object instead of text
    #[arg(long, global = true)]
    pub json: bool,
    /// Unit of depths that people read; files, JSON and the store are metres
    #[arg(long, global = true, value_enum, default_value = "m")]
    pub units: UnitArg,
    /// No progress on the terminal
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

/// Units for people.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum UnitArg {
    /// Metres
    M,
    /// Feet
    Ft,
    /// Fathoms
    Fm,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Show the whole job on invented data: two boats, one meeting, one chart
    #[command(after_help = "Example:\n  leadline demo -o my-demo")]
    Demo(DemoArgs),
    /// Begin, list, pick or show surveys
    #[command(subcommand)]
    Survey(SurveyCommand),
    /// State what reduction needs of a boat
    #[command(subcommand)]
    Boat(BoatCommand),
    /// Read log files into the survey
    #[command(
        after_help = "Examples:\n  leadline import monday.nmea --boat Heron --draft 0.35 --sound-speed 1500\n  leadline import card/ --boat Plover\n\nReading a log again changes nothing. NMEA 0183 and CSV with named columns are understood."
    )]
    Import(ImportArgs),
    /// List the passes: unbroken stretches of one boat
    Passes,
    /// State how high the water stood
    #[command(subcommand)]
    Stage(StageCommand),
    /// Say what this device holds and how good it is
    Status,
    /// Tell the depth at a place, or at every place of a file
    #[command(
        after_help = "Examples:\n  leadline depth --at 7.41310,48.21730 --stage 0.35\n  leadline depth --points spots.csv > depths.csv"
    )]
    Depth(DepthArgs),
    /// Draw the chart as a picture
    #[command(
        after_help = "Examples:\n  leadline chart -o today.png --stage 0.35 --draft 0.5\n  leadline chart -o lake.svg"
    )]
    Chart(ChartArgs),
    /// Write the result for other programs
    #[command(
        after_help = "Examples:\n  leadline export cells --as csv -o cells.csv\n  leadline export contours --as geojson -o contours.geojson"
    )]
    Export(ExportArgs),
    /// Meet other devices of the crew and exchange what either lacks
    #[command(
        after_help = "Examples:\n  leadline sync                                  (finds the crew on this network)\n  leadline sync --listen 0.0.0.0:4700            (waits for others)\n  leadline sync --with 192.168.4.17:4700 --once  (meets one device, then leaves)"
    )]
    Sync(SyncArgs),
    /// Invite devices, join a crew, list who belongs to it
    #[command(subcommand)]
    Crew(CrewCommand),
    /// Carry the survey as a file
    #[command(subcommand)]
    Parcel(ParcelCommand),
    /// Check every byte of the store, and make its caches again if they are wrong
    Verify,
    /// Print shell completions
    #[command(hide = true)]
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the manual page
    #[command(hide = true)]
    Man,
}

/// `demo`
#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Folder for the homes, the logs and the chart; must be new or empty
    #[arg(short, long = "output", value_name = "DIR", default_value = "leadline-demo")]
    pub output: PathBuf,
}

/// `survey`
#[derive(Debug, Subcommand)]
pub(crate) enum SurveyCommand {
    /// Begin the survey of a water on this device
    New {
        /// The water
        name: String,
        /// The level that depths are counted from, in words
        #[arg(long, value_name = "TEXT", default_value = "the water level of a stage of zero")]
        datum: String,
        /// Name of this device, shown to the crew
        #[arg(long, value_name = "TEXT")]
        device: Option<String>,
    },
    /// List the surveys of this home
    List,
    /// Make a survey the one that commands take
    Use {
        /// Name or start of its id
        name: String,
    },
    /// Show one survey
    Show,
}

/// `boat`
#[derive(Debug, Subcommand)]
pub(crate) enum BoatCommand {
    /// State a setup, from a date on
    #[command(
        after_help = "Example:\n  leadline boat set Heron --draft 0.35 --sound-speed 1500 --from 2026-05-01T00:00Z"
    )]
    Set {
        /// The boat
        name: String,
        #[command(flatten)]
        setup: SetupArgs,
        /// Valid from this moment on; without it for all times
        #[arg(long, value_name = "DATE")]
        from: Option<String>,
    },
    /// List boats and their setups
    List,
}

/// What a setup can say.
#[derive(Clone, Debug, Args)]
pub(crate) struct SetupArgs {
    /// Depth of the transducer below the water line, metres
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub draft: Option<f64>,
    /// Sound speed the sounder assumes, m/s; unknown unless said
    #[arg(long, value_name = "M/S")]
    pub sound_speed: Option<f64>,
    /// Water temperature, °C
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    pub temperature: Option<f64>,
    /// Delay of the position behind the depth, seconds
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    pub lag: Option<f64>,
}

/// `import`
#[derive(Debug, Args)]
pub(crate) struct ImportArgs {
    /// Log files, or folders of them
    #[arg(required = true, value_name = "FILE|DIR")]
    pub paths: Vec<PathBuf>,
    /// The boat that measured
    #[arg(long, value_name = "NAME")]
    pub boat: String,
    #[command(flatten)]
    pub setup: SetupArgs,
    /// Start of logs that carry no date or no time (UTC)
    #[arg(long, value_name = "UTC")]
    pub date: Option<String>,
}

/// `stage`
#[derive(Debug, Subcommand)]
pub(crate) enum StageCommand {
    /// Add one gauge reading
    #[command(after_help = "Example:\n  leadline stage add --at 2026-05-01T08:00Z --level 0.35")]
    Add {
        /// When (UTC, or with an offset), or `now`
        #[arg(long, value_name = "UTC|now")]
        at: String,
        /// Height of the water above the sounding datum, metres
        #[arg(long, value_name = "M", allow_negative_numbers = true)]
        level: f64,
        /// Which gauge
        #[arg(long, value_name = "NAME", default_value = "gauge")]
        gauge: String,
    },
    /// Add the readings of a CSV file with columns time, level_m and, if several, gauge
    #[command(
        after_help = "Example:\n  leadline stage import readings.csv\n\nreadings.csv:\n  gauge,time,level_m\n  landing,2026-05-01T08:00:00Z,0.35"
    )]
    Import {
        /// The file
        file: PathBuf,
        /// Which gauge, where the file does not say
        #[arg(long, value_name = "NAME", default_value = "gauge")]
        gauge: String,
    },
    /// List the readings
    Show,
}

/// `depth`
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("where").required(true).args(["at", "points"])))]
pub(crate) struct DepthArgs {
    /// A place: longitude,latitude in degrees
    #[arg(long, value_name = "LON,LAT", allow_hyphen_values = true)]
    pub at: Option<String>,
    /// A CSV file with columns lon and lat
    #[arg(long, value_name = "FILE.csv")]
    pub points: Option<PathBuf>,
    /// Height of the water above the sounding datum today, metres
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
}

/// `chart`
#[derive(Debug, Args)]
pub(crate) struct ChartArgs {
    /// The picture: .png or .svg
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: PathBuf,
    /// Height of the water above the sounding datum, metres
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
    /// Your boat's deepest part below the water line, metres: shallower water is hatched
    #[arg(long, value_name = "M")]
    pub draft: Option<f64>,
}

/// What `export` writes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum What {
    /// One row or point a cell
    Cells,
    /// Lines of equal depth
    Contours,
    /// Areas between two depths
    Areas,
}

/// File formats.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// Comma-separated values
    Csv,
    /// GeoJSON (RFC 7946)
    Geojson,
}

/// `export`
#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// What
    pub what: What,
    /// In which format
    #[arg(long = "as", value_name = "FORMAT")]
    pub format: Format,
    /// The file; without it to standard output
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Height of the water above the sounding datum, metres
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub stage: Option<f64>,
}

/// `sync`
#[derive(Debug, Args)]
pub(crate) struct SyncArgs {
    /// Meet the device at this address (HOST:PORT or a multiaddr)
    #[arg(long, value_name = "ADDR")]
    pub with: Vec<String>,
    /// Wait for others at this address
    #[arg(long, value_name = "ADDR")]
    pub listen: Option<String>,
    /// Leave after the first finished meeting
    #[arg(long)]
    pub once: bool,
}

/// `crew`
#[derive(Debug, Subcommand)]
pub(crate) enum CrewCommand {
    /// Make a one-time invite to this survey
    Invite {
        /// Hours it is honoured
        #[arg(long, value_name = "H", default_value_t = 48)]
        hours: u32,
    },
    /// Join the crew that an invite is for
    Join {
        /// The whole invite, or - to read it from standard input
        invite: String,
        /// Name of this device, shown to the crew
        #[arg(long, value_name = "TEXT")]
        device: Option<String>,
    },
    /// List the crew
    List,
}

/// `parcel`
#[derive(Debug, Subcommand)]
pub(crate) enum ParcelCommand {
    /// Write all of the survey to a file
    Write {
        /// The file
        file: PathBuf,
    },
    /// Take in a parcel
    Read {
        /// The file
        file: PathBuf,
    },
    /// Say what a parcel holds, without taking it in
    Inspect {
        /// The file
        file: PathBuf,
    },
}
