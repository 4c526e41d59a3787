// The settings of a program: declared once, then taken from the command line, else from the environment, else
// from a TOML file, else by default. Read at the start by one thread; the values are immutable afterwards.
//
//   key                uplink.server
//   flag               --uplink-server VALUE    (none for a secret: other users could read it)
//   environment        BAYWARD_UPLINK_SERVER
//   file               [uplink] server = VALUE
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <iosfwd>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "absl/time/time.h"

namespace toml {
inline namespace v3 {
class table;
}
}  // namespace toml

namespace bayward {

// Exit codes of both programs, those of sysexits.h.
inline constexpr int kExitUsage = 64;
inline constexpr int kExitCannotStart = 69;
inline constexpr int kExitBadConfig = 78;

enum class SettingKind {
  kText,
  kTexts,  // in a file an array of texts, elsewhere separated by commas
  kInteger,
  kNumber,
  kFlag,      // true or false
  kDuration,  // "500ms", "20s", "36h", "7d"
  kBytes,     // "64KiB", "256MiB", "2GiB", or a plain number of bytes
  kChoice,    // one of `choices`
};

struct Setting {
  std::string key = {};
  SettingKind kind = SettingKind::kText;
  std::string fallback = {};  // the default, written as in the environment; "": empty, zero or false
  std::string help = {};
  bool secret = false;    // shown nowhere, and never a flag
  bool required = false;  // a fault where nobody sets it
  std::string min = {};   // of numbers, durations and bytes, written like a value; "": no bound
  std::string max = {};
  std::vector<std::string> choices = {};
};

// What is said of a program at its command line.
struct Program {
  struct Command {
    std::string name = {};
    std::string help = {};
  };
  std::string name = {};
  std::string about = {};
  std::string examples = {};
  std::vector<Command> commands = {};  // none: the program does one thing
  bool many_config_files = false;      // --config may be given more than once
};

struct CommandLine {
  std::string command;  // "" where none was given
  std::vector<std::filesystem::path> config_files;
  bool check_config = false;
  bool print_config = false;
  std::map<std::string, std::string, std::less<>> flags;  // by key
};

// Reads the arguments. The other alternative is the code to exit with at once: 0 after --help or --version,
// which go to `out`; 64 after a line on `err` that says what cannot be used and why.
std::variant<CommandLine, int> ParseCommandLine(const Program& program, const std::vector<Setting>& declared,
                                                int argc, const char* const* argv, std::ostream& out,
                                                std::ostream& err);

// The value of a variable, or nullptr; as std::getenv.
using Environment = std::function<const char*(const char* name)>;
Environment ProcessEnvironment();

class Settings {
 public:
  // Appends every fault to `faults`, each with where it stands ("agent.toml:7: …", "BAYWARD_LOG_LEVEL: …"):
  // values that do not fit, keys that nobody knows (with the nearest known one), required ones that are
  // missing. A setting at fault has its default. An empty `file` is no file. `left`: top-level keys of the
  // file that the caller reads itself from table().
  static Settings Read(const std::vector<Setting>& declared, const CommandLine& line,
                       const std::filesystem::path& file, const std::vector<std::string>& left,
                       std::vector<std::string>& faults,
                       const Environment& environment = ProcessEnvironment());

  // Values. Asking for a key that is not declared, or with another kind, ends the program: it is a mistake in
  // it.
  const std::string& Text(std::string_view key) const;  // also of a choice
  const std::vector<std::string>& Texts(std::string_view key) const;
  std::int64_t Integer(std::string_view key) const;
  double Number(std::string_view key) const;
  bool Flag(std::string_view key) const;
  absl::Duration Duration(std::string_view key) const;
  std::uint64_t Bytes(std::string_view key) const;

  // Whether somebody set it, so that it does not have its default.
  bool IsSet(std::string_view key) const;
  // Where its value comes from: "agent.toml:7", "BAYWARD_LOG_LEVEL", "--log-level", "default".
  const std::string& OriginOf(std::string_view key) const;
  // A fault of this setting that only the caller can find.
  std::string FaultOf(std::string_view key, std::string_view message) const;

  // Every setting as a TOML line with its origin as a comment; secrets are masked.
  std::string Print() const;

  const std::filesystem::path& file() const { return file_; }
  const toml::table& table() const { return *table_; }

 private:
  using Value = std::variant<std::string, std::vector<std::string>, std::int64_t, double, bool,
                             absl::Duration, std::uint64_t>;
  friend class SettingsReader;

  struct Held {
    Setting declared;
    Value value;
    std::string origin;  // "default" where nobody set it
  };

  const Held& Find(std::string_view key) const;
  template <class T>
  const T& Get(std::string_view key) const;

  std::filesystem::path file_;
  std::shared_ptr<const toml::table> table_;
  std::vector<Held> held_;  // as declared
};

// What every program does once its configuration is read: prints the faults to `err`, or answers
// --check-config and
// --print-config on `out`. Gives the code to exit with, nullopt where the program is to go on.
std::optional<int> AnswerConfigRequests(const CommandLine& line, const std::vector<Settings>& settings,
                                        const std::vector<std::string>& faults, std::ostream& out,
                                        std::ostream& err);

}  // namespace bayward
