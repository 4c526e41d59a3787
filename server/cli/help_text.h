// The words of `bayward --help`. Constants: any thread may read.
#pragma once

namespace bayward::cli::help {

inline constexpr const char* kAbout =
    "Asks a Bayward server what its wash machines do, what stopped them and what that cost, and declares the fleet.";

inline constexpr const char* kMain =
    "Examples\n"
    "  bayward live\n"
    "      what every machine does now, those that are down first\n"
    "  bayward availability --by site\n"
    "      availability of each site over the last 30 days\n"
    "  bayward --server fleet.example:7442 ranking --from 2026-07-01 --to 2026-08-01\n"
    "      which faults cost most down time in July\n"
    "  bayward fleet check ./fleet\n"
    "      what the declaration files in ./fleet would change\n"
    "\n"
    "Each command has its own --help.\n"
    "\n"
    "Exit codes\n"
    "  0   good\n"
    "  1   the server refused or answered badly, or a file could not be used; the message says what\n"
    "  2   something needs attention: the doctor found it, an apply was not confirmed, a report has gaps\n"
    "  64  the command line cannot be used\n"
    "  69  no server can be reached\n";

inline constexpr const char* kWindow =
    "\nA window is [from, to). A date is each site's own midnight; an instant such as\n"
    "2026-08-01T06:00:00Z is the same everywhere. Without --from it is the last 30 days, or as many as\n"
    "--last says, without --to it ends now.\n";

inline constexpr const char* kSites = "Examples\n  bayward sites\n  bayward sites --region north --json\n";
inline constexpr const char* kMachines =
    "Examples\n  bayward machines --kind tunnel\n  bayward machines --site harbour-road\n";
inline constexpr const char* kLive =
    "Examples\n"
    "  bayward live\n"
    "  bayward live --region north --kind gantry\n"
    "  bayward live --machine harbour-road/bay-1 --json\n"
    "\nConditions: up, degraded, down, withheld (closed by people or blocked from outside), unknown\n"
    "(nobody watches), not required (outside opening hours).\n";
inline constexpr const char* kAvailability =
    "Examples\n"
    "  bayward availability\n"
    "  bayward availability --by region --from 2026-07-01 --to 2026-08-01\n"
    "  bayward availability --site harbour-road --confidence 0.95\n"
    "  bayward availability --by site --each week --last 90\n"
    "  bayward availability --by fleet --each day --rolling 28 --last 60\n";
inline constexpr const char* kRanking =
    "Examples\n"
    "  bayward ranking\n"
    "  bayward ranking --by kind --rank-by failures --rows 5\n"
    "  bayward ranking --region north --from 2026-07-01 --to 2026-08-01\n"
    "  bayward ranking --last 90 --gain --before\n"
    "  bayward ranking --last 90 --losses --rank-by lost-money\n"
    "\nFirst-out hours are those of outages the fault began, alone hours those in which only it blocked,\n"
    "present hours all down time in which it was active.\n";
inline constexpr const char* kOutages =
    "Examples\n"
    "  bayward outages --site harbour-road\n"
    "  bayward outages --class air_supply.pressure_low --from 2026-07-01\n";
inline constexpr const char* kCompare =
    "Examples\n"
    "  bayward compare --kind gantry --last 180\n"
    "  bayward compare --region north --from 2026-01-01 --to 2026-07-01\n"
    "  bayward compare --held\n"
    "\nEach machine's failure rate is drawn towards its kind's as far as its few failures may be chance.\n";
inline constexpr const char* kTrend =
    "Examples\n"
    "  bayward trend --from 2025-11-01 --to 2026-11-01\n"
    "  bayward trend --kind tunnel --from 2026-05-01 --to 2026-11-01\n"
    "  bayward trend --month last\n"
    "\nVerdicts are made once a month, on twelve whole months, and held; a window shows what it is now.\n";
inline constexpr const char* kRestoration =
    "Examples\n"
    "  bayward restoration --last 90\n"
    "  bayward restoration --class air_supply.pressure_low --region north\n"
    "  bayward restoration --last 90 --covered \"mon-fri 08:00-18:00, sat 09:00-13:00\"\n";
inline constexpr const char* kRepeats =
    "Examples\n"
    "  bayward repeats --last 90\n"
    "  bayward repeats --by machine --region north --rows 10\n";
inline constexpr const char* kReliability =
    "Examples\n"
    "  bayward reliability --by kind --last 90\n"
    "  bayward reliability --machine harbour-road/bay-1 --last 180 --confidence 0.95\n"
    "\nWhere failures come in clusters the limits are widened by what weekly counts show.\n";
inline constexpr const char* kCumulative =
    "Examples\n"
    "  bayward cumulative --kind gantry --last 365\n"
    "  bayward cumulative --region north --axis up-hours --last 180\n";
inline constexpr const char* kLosses =
    "Examples\n"
    "  bayward losses --by site --last 30\n"
    "  bayward losses --region north --last 90 --backtest\n"
    "\nGross is what would have started on a machine meanwhile; net is what the site as a whole missed, over\n"
    "each outage and 48 h after.\n";
inline constexpr const char* kDrift =
    "Examples\n  bayward drift\n  bayward drift --all --site harbour-road\n";
inline constexpr const char* kSilent =
    "Examples\n  bayward silent\n  bayward silent --region north\n";
inline constexpr const char* kForecast =
    "Examples\n  bayward forecast\n  bayward forecast --kind gantry --rows 10\n"
    "\nHow such forecasts did before stands below them.\n";
inline constexpr const char* kService =
    "Examples\n  bayward service --by site --last 30\n  bayward service --region north --last 90\n";
inline constexpr const char* kAlarms =
    "Examples\n  bayward alarms --last 30\n  bayward alarms --region north --last 60 --fleeting 120\n";
inline constexpr const char* kOutage =
    "Examples\n"
    "  bayward outage harbour-road/bay-1\n"
    "  bayward outage harbour-road/bay-1 --at 2026-08-04T07:30:00Z\n";
inline constexpr const char* kRecord =
    "Examples\n"
    "  bayward record harbour-road/bay-1 --at 2026-08-04T07:30:00Z\n"
    "\nIt states facts and no cause. No plates and no faces are stored.\n";
inline constexpr const char* kHold =
    "Examples\n"
    "  bayward hold harbour-road/bay-1 --from 2026-08-04T06:00:00Z --to 2026-08-04T09:00:00Z \\\n"
    "      --signed-by \"claims desk\" --reason \"damage reported\" --reference C-1042\n";
inline constexpr const char* kRelease =
    "Examples\n  bayward release 12 --signed-by \"claims desk\" --reason \"claim closed\"\n";
inline constexpr const char* kHolds = "Examples\n  bayward holds\n  bayward holds --site harbour-road\n";
inline constexpr const char* kSettle =
    "Examples\n"
    "  bayward settle harbour-road/bay-1 --from 2026-08-04T06:00:00Z --to 2026-08-04T09:00:00Z --as up \\\n"
    "      --signed-by \"shift lead\" --reason \"seen washing all morning\"\n"
    "\nKept for good and shown with every figure that uses it. The latest decision over an instant holds.\n";
inline constexpr const char* kReport =
    "Examples\n"
    "  bayward report --period 2026-08 --region north\n"
    "  bayward report --period 2026-Q3 --format html --out north.html --region north\n"
    "\nA period is each site's own calendar. What could not be had is said in the report. CSV has one figure\n"
    "a line; HTML needs nothing else and prints on A4.\n";
inline constexpr const char* kRejected =
    "Examples\n  bayward rejected\n  bayward rejected --site harbour-road --rows 20 --json\n";
inline constexpr const char* kParked =
    "Examples\n  bayward parked\n  bayward parked --region north\n"
    "\nParked events name a machine that is not declared; declaring it takes them in.\n";
inline constexpr const char* kDoctor =
    "Examples\n"
    "  bayward doctor\n"
    "  bayward doctor --bundle support.json\n"
    "      also writes one file for whoever helps: checks, agents, configuration with secrets masked,\n"
    "      live states, reasons of held events; no payloads, no secrets\n"
    "\nExit code 2 where any check is not good.\n";
inline constexpr const char* kFleet =
    "Examples\n"
    "  bayward fleet check ./fleet\n"
    "  bayward fleet apply ./fleet\n"
    "  bayward fleet export > fleet.toml\n"
    "\nThe files together are the whole fleet: what they do not declare is dropped.\n";
inline constexpr const char* kFleetCheck =
    "Examples\n  bayward fleet check ./fleet\n  bayward fleet check north.toml south.toml\n";
inline constexpr const char* kFleetApply =
    "Examples\n"
    "  bayward fleet apply ./fleet\n"
    "      shows what would change and asks\n"
    "  bayward fleet apply north.toml south.toml --yes\n"
    "  bayward fleet apply ./fleet --allow-drop\n"
    "      machines with history may be dropped; what is known of them is kept\n";
inline constexpr const char* kFleetExport = "Examples\n  bayward fleet export > fleet.toml\n";

}  // namespace bayward::cli::help
