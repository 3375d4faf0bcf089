//! The command line as typed. Help, completions and the man page come from here.

use crate::commands::ChartArgs;
use crate::commands::ExportCommand;
use crate::commands::ParcelCommand;
use crate::commands::adopt::AdoptArgs;
use crate::commands::boat::BarArgs;
use crate::commands::check::CheckArgs;
use crate::commands::compare::CompareArgs;
use crate::commands::coverage::CoverageArgs;
use crate::commands::crew::CrewCommand;
use crate::commands::plan::PlanArgs;
use crate::commands::record::RecordArgs;
use clap::{Args, Parser, Subcommand, ValueEnum};
use leadline_chart::Between;
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
    /// How depths run between the tracks, for everything that is drawn or told from the surface
    #[arg(long, global = true, value_enum, default_value = "learned", value_name = "WAY")]
    pub between: BetweenArg,
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

/// Ways between the tracks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum BetweenArg {
    /// As this survey's own bed was found to bend
    Learned,
    /// Straight from cell to cell
    Straight,
}

impl From<BetweenArg> for Between {
    fn from(way: BetweenArg) -> Self {
        match way {
            BetweenArg::Learned => Self::Learned,
            BetweenArg::Straight => Self::Straight,
        }
    }
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
        after_help = "Examples:\n  leadline import monday.nmea --boat Heron --draft 0.35 --sound-speed 1500\n  leadline import card/ --boat Plover\n\n  leadline import day.zip --boat Plover --explain\n\nReading a log again changes nothing. Logs of NMEA 0183, NMEA 2000 (frames as text) and Signal K deltas, CSV or XYZ tables with named columns, GPX tracks with depths and GeoJSON points are told apart by what is in them; they may be gzipped, or lie in folders or ZIP archives."
    )]
    Import(ImportArgs),
    /// Look at what a source or a log says: kinds of sentences, rates, talkers, what depths are measured from
    #[command(
        after_help = "Examples:\n  leadline check serial:/dev/ttyUSB0@4800\n  leadline check udp:10110 --seconds 30\n  leadline check monday.nmea\n\nNothing is recorded. Exit code 1: nothing came; 3: a source could not be opened."
    )]
    Check(CheckArgs),
    /// Record live from instruments; the map grows with each whole ten minutes
    #[command(
        after_help = "Examples:\n  leadline record --from serial:/dev/ttyUSB0@4800 --boat Heron --draft 0.35\n  leadline record --from udp:10110 --boat Heron\n  leadline record --from tcp:192.168.4.1:10110 --from serial:/dev/ttyUSB1 --boat Heron\n  leadline record --from replay:monday.nmea@10 --boat Heron\n\nSources:\n  udp:PORT  udp:ADDRESS:PORT      datagrams that come to this device (10110 is usual)\n  tcp:HOST:PORT                   a gateway or plotter that is called\n  listen:PORT                     instruments that call this device\n  serial:DEVICE@BAUD              a serial port (4800 unless said)\n  file:PATH                       a file that another program writes on, from its end\n  replay:PATH@SPEED               a log again, SPEED times as fast, or @max\n  -                               standard input\n\nWhat came is on the disk within two seconds. A recording that was cut off goes on, or is closed, when the next one begins."
    )]
    Record(RecordArgs),
    /// List the passes: unbroken stretches of one boat
    Passes,
    /// Leave soundings out of the map, with a reason; they are kept and can be taken back
    #[command(
        after_help = "Examples:\n  leadline leave-out --boat Heron --from 2026-05-01T10:20Z --to 2026-05-01T10:35Z --why \"transducer fouled\"\n  leadline leave-out --area weed.geojson --shoaler-than 1.5 --why \"weed in July\"\n  leadline leave-out --cell 7.41310,48.21730 --why \"a passing boat\"\n  leadline leave-out --list\n\nBinds what is measured now; later soundings vote anew."
    )]
    LeaveOut(LeaveOutArgs),
    /// Take a leave-out back: the soundings count again
    #[command(
        after_help = "Examples:\n  leadline take-back --cell 7.41310,48.21730 --why \"it is a rock after all\"\n  leadline take-back --verdict 4f2a9c01 --why mistaken\n  leadline take-back --boat Heron --from 2026-05-01T10:00Z --to 2026-05-01T11:00Z --copies --why \"two sounders\"\n\nThe scope must be the one that was left out; `leadline leave-out --list` shows them."
    )]
    TakeBack(TakeBackArgs),
    /// State how high the water stood
    #[command(subcommand)]
    Stage(StageCommand),
    /// State where gauges stand, where their zeros lie, and the line of a river
    #[command(subcommand)]
    Gauge(GaugeCommand),
    /// State the water's temperature and salt, which decide the speed of sound
    #[command(subcommand)]
    Water(WaterCommand),
    /// Find what boats and days are off by from where they cross
    #[command(
        after_help = "Examples:\n  leadline level           (reports, changes nothing)\n  leadline level --apply   (brings the solution into force)\n  leadline level --undo    (takes it back)"
    )]
    Level(LevelArgs),
    /// Say how good the soundings are, by boat, pass and reason, and what to do about it
    Quality,
    /// Say what this device holds and how good it is
    Status,
    /// Tell the depth at a place, or at every place of a file
    #[command(
        after_help = "Examples:\n  leadline depth --at 7.41310,48.21730 --stage 0.35\n  leadline depth --points spots.csv > depths.csv"
    )]
    Depth(DepthArgs),
    /// Draw the chart as a picture, or as a page to print
    #[command(
        after_help = "Examples:\n  leadline chart -o today.png --stage 0.35 --draft 0.5\n  leadline chart -o boat.pdf --size A4 --scale 5000\n  leadline chart -o night.png --dark --tracks\n  leadline chart -o lake.html"
    )]
    Chart(ChartArgs),
    /// Show what changed between two dates, or what two boats disagree on
    #[command(
        after_help = "Examples:\n  leadline compare --split 2026-03-01 -o change.png\n  leadline compare --before 2025-11-01 --after 2026-03-01 --area bar.geojson -o bar.geojson\n  leadline compare --boats Heron,Plover\n  leadline compare --years -o change.svg     (change-2025-2026.svg, ...)\n\nA change counts only where it is more than both uncertainties together (95 %)."
    )]
    Compare(CompareArgs),
    /// Tell area and volume of the water at each stage
    #[command(
        after_help = "Examples:\n  leadline volume\n  leadline volume --from -2 --to 1 --step 0.25 -o storage.csv\n  leadline volume --area bay.geojson -o bay.svg"
    )]
    Volume(VolumeArgs),
    /// Find humps, holes, ledges, channel lines and saddles of the bed
    #[command(
        after_help = "Examples:\n  leadline structure\n  leadline structure --kind hump,ledge --most 5 --stage 0.35\n  leadline structure --scale broad --area bay.geojson -o bay.png\n  leadline structure -o forms.geojson\n\nOnly what stands out of the depths' own uncertainty is told."
    )]
    Structure(crate::commands::structure::StructureArgs),
    /// Tell how much of the water is known, how well, and where the holidays are
    #[command(
        after_help = "Examples:\n  leadline coverage\n  leadline coverage --area bay.geojson --stage 0.35 -o bay.png\n  leadline coverage -o holidays.geojson"
    )]
    Coverage(CoverageArgs),
    /// Plan what to drive next: lines over a drawn water, or runs over the weak spots
    #[command(
        after_help = "Examples:\n  leadline plan --draft 0.4 --stage 0.35 --start 7.41310,48.21730 -o tomorrow.gpx -o tomorrow.png\n  leadline plan --area bay.geojson --spacing 20 --cross -o bay.gpx\n  leadline plan --area bay.geojson --weak\n\nThe drive keeps to water known to be deeper than the draft and 0.3 m. Where nothing is known it goes only inside a drawn --area, or with --into-unknown."
    )]
    Plan(PlanArgs),
    /// Write the result for other programs
    #[command(
        subcommand,
        after_help = "Examples:\n  leadline export cells --as csv -o cells.csv\n  leadline export contours -o contours.kml --levels 1,2,3,5,10\n  leadline export soundings --scale 5000 -o soundings.gpx\n  leadline export all -o lake.gpkg\n\nWithout --as, the file's ending says the format. `leadline export WHAT --help` shows the options of each."
    )]
    Export(ExportCommand),
    /// Meet other devices of the crew and exchange what either lacks
    #[command(
        after_help = "Examples:\n  leadline sync                                  (finds the crew on this network)\n  leadline sync --near                           (who is there, without meeting)\n  leadline sync --listen 0.0.0.0:4700            (waits for others)\n  leadline sync --with 192.168.4.17:4700 --once  (meets one device, then leaves)"
    )]
    Sync(SyncArgs),
    /// Invite devices, join a crew, say who may do what
    #[command(subcommand)]
    Crew(CrewCommand),
    /// Carry the survey, or part of it, as a file
    #[command(subcommand)]
    Parcel(ParcelCommand),
    /// Note places: hazards, landings, stumps, waypoints
    #[command(subcommand)]
    Mark(crate::commands::mark::MarkCommand),
    /// Keep what was measured near home on this device
    #[command(
        after_help = "Examples:\n  leadline trim --near 7.41310,48.21730 --radius 300\n  leadline trim                                   (lists the places)\n  leadline trim --near 7.41310,48.21730 --undo\n\nDo it before importing: what is signed already cannot be changed, only held back."
    )]
    Trim(crate::commands::trim::TrimArgs),
    /// Keep a second copy of all this device holds: in a file, or in a folder of files with what is new each time
    #[command(
        after_help = "Examples:\n  leadline backup /media/stick/lake.backup                 (one file, everything)\n  leadline backup /media/stick/leadline --keep 7           (a folder; each time only what is new)\n  leadline backup /media/stick/leadline --with-key --passphrase-file words.txt\n  leadline backup inspect /media/stick/leadline\n\nAn evening's schedule (crontab): 30 21 * * *  leadline backup /media/stick/leadline --keep 7 --quiet\nExit codes: 0 done, also if nothing was new; 1 the target is not there or cannot be written, or an older file\ncould not be read or removed; 4 the store.\nIt holds private marks and what is kept back near home: not a file to give away (that is a parcel)."
    )]
    Backup(crate::commands::backup::BackupArgs),
    /// Put a backup back: on a new device, or beside what is here; nothing here is lost
    #[command(
        after_help = "Examples:\n  leadline restore /media/stick/leadline                    (the newest of the folder)\n  leadline restore lake.backup --passphrase-file words.txt\n  leadline restore torn.backup --damaged                    (what is whole of it)\n\nReading one again changes nothing. Without the key in it, a new device gets an identity of its own: ask a keeper of\nthe crew for an invite (leadline crew invite), and have the lost device dismissed."
    )]
    Restore(crate::commands::restore::RestoreArgs),
    /// Remove raw logs that are proven to be held as entries, and kept elsewhere too
    #[command(
        after_help = "Examples:\n  leadline prune --backup /media/stick/leadline          (says what could go)\n  leadline prune --backup /media/stick/leadline --yes    (removes it)\n\nA raw log can go if, read again, it gives nothing that is not held here and in that backup as signed entries and strips. Exit code 4: one of them is damaged; it stays."
    )]
    Prune(crate::commands::prune::PruneArgs),
    /// Check every byte of the store, and make its caches again if they are wrong
    #[command(
        after_help = "Examples:\n  leadline verify\n  leadline verify --repair   (saves what is whole into a fresh store; the damaged one is kept)\n\nExit code 4: something is damaged. What a repair could not save comes back with the next meeting, a parcel of the crew, or the log it was made of, imported again."
    )]
    Verify(crate::commands::verify::VerifyArgs),
    /// Show the map as a page in the browser, on this device or read-only on a phone near by
    #[command(
        after_help = "Examples:\n  leadline view                   (this device; prints the link to open)\n  leadline view --lan             (a phone on the same hotspot scans the picture; read-only)\n  leadline view --doors           (which browsers were let in)\n  leadline view --revoke 2        (shut one out)\n\nNothing comes from elsewhere: it works with no internet at all."
    )]
    View(crate::commands::view::ViewArgs),
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
    /// Read another survey of the same water together with this one
    #[command(
        after_help = "Examples:\n  leadline survey adopt gift.parcel\n  leadline survey adopt \"Thornmere north\"\n  leadline survey adopt \"Thornmere north\" --undo\n\nIts entries stay as they were signed; how far its datum lies from this one's is solved from crossings."
    )]
    Adopt(AdoptArgs),
    /// Set how fast boats may go while they sound, for the whole crew
    #[command(after_help = "Example:\n  leadline survey set --fair-speed 3.5 --max-speed 6")]
    Set {
        /// Above this speed a sounding is at best fair, m/s
        #[arg(long, value_name = "M/S", required_unless_present = "max_speed")]
        fair_speed: Option<f64>,
        /// Above this speed it is void, m/s
        #[arg(long, value_name = "M/S")]
        max_speed: Option<f64>,
    },
    /// State the edge of the water, with its islands: zero depth there at that stage, land beyond
    #[command(
        after_help = "Examples:\n  leadline survey shore lake.geojson --stage 0.35\n  leadline survey shore --none   (takes it away)\n\nlake.geojson holds one Polygon or MultiPolygon (islands are its holes) in degrees."
    )]
    #[command(group(clap::ArgGroup::new("edge").required(true).args(["file", "none"])))]
    Shore {
        /// The drawing: GeoJSON, or a CSV file of corners with columns lon and lat
        file: Option<PathBuf>,
        /// Stage at which the water stood there, metres above the sounding datum
        #[arg(long, value_name = "M", allow_negative_numbers = true, default_value_t = 0.0)]
        stage: f64,
        /// No edge is known
        #[arg(long)]
        none: bool,
    },
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
    /// Give a boat another name, in all that was and will be said of it
    #[command(
        after_help = "Examples:\n  leadline boat rename \"the blue one\" Heron\n  leadline boat rename Heron Heron   (takes a renaming back)"
    )]
    Rename {
        /// The name it has
        old: String,
        /// The name it gets; that of another boat makes the two one
        new: String,
    },
    /// Find the draft, and how wrong the assumed sound speed is, from a plate at known depths
    #[command(
        after_help = "Example:\n  leadline boat bar-check Heron --plate 2.00=1.62 --plate 4.00=3.66 --sound-speed 1500\n\nNothing is changed; the answer says what to state."
    )]
    BarCheck(BarArgs),
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
    /// Say of each file what it was taken for and why, what of it was used, and what was not understood
    #[arg(long)]
    pub explain: bool,
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
    /// Add the readings of a file: a table with time and level_m, a water-level CSV, or a government RDB text
    #[command(
        after_help = "Examples:\n  leadline stage import readings.csv\n  leadline stage import 01234500.rdb --gauge weir\n  leadline stage import levels.csv --unit ft --zone -05:00 --add 2.31\n\nreadings.csv:\n  gauge,time,level_m\n  landing,2026-05-01T08:00:00Z,0.35\n\nReading a file again changes nothing; where a later copy of a record says otherwise, the later one holds."
    )]
    Import(StageImportArgs),
    /// List the readings
    Show,
}

/// `stage import`
#[derive(Debug, Args)]
pub(crate) struct StageImportArgs {
    /// The file
    pub file: PathBuf,
    /// Name of the gauge, whatever the file calls it; not for files of several gauges
    #[arg(long, value_name = "NAME")]
    pub gauge: Option<String>,
    /// Unit of the levels, where the file does not state it
    #[arg(long, value_enum, value_name = "UNIT")]
    pub unit: Option<LevelUnitArg>,
    /// Zone of times that do not state one: UTC, or an offset such as -05:00
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true)]
    pub zone: Option<String>,
    /// Added to every level, metres; better stated once with `gauge add --zero`
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub add: Option<f64>,
    /// Which column holds the levels, where the file has several
    #[arg(long, value_name = "NAME")]
    pub column: Option<String>,
}

/// Units of levels in files.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum LevelUnitArg {
    /// Metres
    M,
    /// Feet
    Ft,
}

/// `gauge`
#[derive(Debug, Subcommand)]
pub(crate) enum GaugeCommand {
    /// State a gauge; what is not given stays as it was
    #[command(after_help = "Example:\n  leadline gauge add weir --zero 0.42 --at 7.41310,48.21730")]
    Add {
        /// Its name; readings refer to it
        name: String,
        /// Height of its zero above the sounding datum, metres: added to each of its readings
        #[arg(long, value_name = "M", allow_negative_numbers = true)]
        zero: Option<f64>,
        /// Where it stands: longitude,latitude; needed on a river
        #[arg(long, value_name = "LON,LAT", allow_hyphen_values = true)]
        at: Option<String>,
    },
    /// List the gauges
    List,
    /// State the centre line of flowing water, along which the stage is found between two gauges
    #[command(
        after_help = "Examples:\n  leadline gauge river centre.csv       (columns lon and lat)\n  leadline gauge river centre.geojson   (a LineString)\n  leadline gauge river --none           (the water does not flow)"
    )]
    #[command(group(clap::ArgGroup::new("line").required(true).args(["file", "none"])))]
    River {
        /// The line, in either direction
        file: Option<PathBuf>,
        /// The water does not flow
        #[arg(long)]
        none: bool,
    },
}

/// `water`
#[derive(Debug, Subcommand)]
pub(crate) enum WaterCommand {
    /// Add what was measured of the water; it holds for all boats around that day
    #[command(
        after_help = "Examples:\n  leadline water add --at 2026-05-01T09:00Z --temperature 14.5\n  leadline water add --at 2026-05-01T09:00Z --salinity 12 --profile cast.csv\n\ncast.csv:\n  depth_m,temperature_c\n  0,18.2\n  6,11.0"
    )]
    #[command(group(
        clap::ArgGroup::new("measured").required(true).multiple(true).args(["salinity", "temperature", "profile"])
    ))]
    Add {
        /// When (UTC, or with an offset), or `now`
        #[arg(long, value_name = "UTC|now")]
        at: String,
        /// Practical salinity (the sea has 35); fresh water unless said
        #[arg(long, value_name = "S")]
        salinity: Option<f64>,
        /// Temperature of all of the water, °C
        #[arg(long, value_name = "C", allow_negative_numbers = true, conflicts_with = "profile")]
        temperature: Option<f64>,
        /// A CSV file with columns depth_m and temperature_c
        #[arg(long, value_name = "FILE.csv")]
        profile: Option<PathBuf>,
    },
    /// List what was measured
    List,
}

/// What a verdict speaks of.
#[derive(Debug, Args)]
pub(crate) struct ScopeArgs {
    /// A stretch of time of this boat
    #[arg(long, value_name = "NAME", requires = "from", requires = "to")]
    pub boat: Option<String>,
    /// The stretch's first moment
    #[arg(long, value_name = "UTC", requires = "boat")]
    pub from: Option<String>,
    /// The first moment behind the stretch
    #[arg(long, value_name = "UTC", requires = "boat")]
    pub to: Option<String>,
    /// A drawn area: a GeoJSON polygon, or a CSV file of corners with columns lon and lat
    #[arg(long, value_name = "FILE")]
    pub area: Option<PathBuf>,
    /// The cell at this place
    #[arg(long, value_name = "LON,LAT", allow_hyphen_values = true)]
    pub cell: Option<String>,
    /// Only depths shoaler than this, metres below the sounding datum
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub shoaler_than: Option<f64>,
    /// Only depths deeper than this, metres below the sounding datum
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub deeper_than: Option<f64>,
}

/// `leave-out`
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("what").required(true).args(["boat", "area", "cell", "list"])))]
pub(crate) struct LeaveOutArgs {
    #[command(flatten)]
    pub scope: ScopeArgs,
    /// The reason, for the crew
    #[arg(long, value_name = "TEXT", required_unless_present = "list")]
    pub why: Option<String>,
    /// List the verdicts in force
    #[arg(long, conflicts_with_all = ["why", "shoaler_than", "deeper_than"])]
    pub list: bool,
}

/// `take-back`
#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("what").required(true).args(["boat", "area", "cell", "verdict"])))]
pub(crate) struct TakeBackArgs {
    #[command(flatten)]
    pub scope: ScopeArgs,
    /// The verdict with this id, as the list shows it
    #[arg(long, value_name = "ID", conflicts_with_all = ["shoaler_than", "deeper_than", "copies"])]
    pub verdict: Option<String>,
    /// Take back that these recordings were taken for copies of others
    #[arg(long, requires = "boat", conflicts_with_all = ["shoaler_than", "deeper_than"])]
    pub copies: bool,
    /// The reason, for the crew
    #[arg(long, value_name = "TEXT")]
    pub why: String,
}

/// `level`
#[derive(Debug, Args)]
pub(crate) struct LevelArgs {
    /// Bring the solution into force, in place of any other
    #[arg(long, conflicts_with = "undo")]
    pub apply: bool,
    /// Take back the levelling in force
    #[arg(long)]
    pub undo: bool,
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
    /// Print each term of the depth with its size and uncertainty
    #[arg(long, conflicts_with = "points")]
    pub explain: bool,
}

/// `volume`
#[derive(Debug, Args)]
pub(crate) struct VolumeArgs {
    /// Lowest stage, metres above the sounding datum; without it where the deepest place falls dry
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub from: Option<f64>,
    /// Highest stage; without it the highest gauge reading
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub to: Option<f64>,
    /// From one stage to the next, metres
    #[arg(long, value_name = "M")]
    pub step: Option<f64>,
    /// A drawn area, such as the shore: a GeoJSON polygon, or a CSV file of corners with columns lon and lat
    #[arg(long, value_name = "FILE")]
    pub area: Option<PathBuf>,
    /// The table (.csv) or a plot (.svg, .png)
    #[arg(short, long = "output", value_name = "FILE")]
    pub output: Option<PathBuf>,
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
    /// Only list which devices of the crew are near; takes five seconds
    #[arg(long, conflicts_with_all = ["with", "listen", "once"])]
    pub near: bool,
    #[command(flatten)]
    pub wants: crate::commands::wants::WantArgs,
}
