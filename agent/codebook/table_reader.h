// Reads one TOML table key by key, remembers which keys it was asked for, and collects every fault as
// "file:line: what was expected, what was found". Thread-compatible; lives only as long as its table and
// fault list.
#pragma once

#include <cstdint>
#include <initializer_list>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "absl/time/time.h"

namespace toml {
inline namespace v3 {
class table;
class node;
}  // namespace v3
}  // namespace toml

namespace bayward {

using Scalar = std::variant<std::string, std::int64_t, bool>;

// As a person would write it in TOML: "E07", 7, true.
std::string ToText(const Scalar& scalar);

struct NamedScalar {
  std::string key;
  Scalar value;
  int line = 0;
};

class TableReader {
 public:
  // `what` names the table in messages: "[cycle]", "fault".
  TableReader(const toml::table& table, std::string what, std::string file, std::vector<std::string>& faults);

  bool empty() const;
  bool Has(std::string_view key) const;
  bool HoldsTable(std::string_view key) const;

  // Required: "" with a fault where the key is missing, empty or no text.
  std::string Text(std::string_view key);
  // These leave a fault where the key is there with something else than stated, and give nothing then.
  std::optional<std::string> OptionalText(std::string_view key);
  std::optional<std::int64_t> Integer(std::string_view key, std::int64_t min, std::int64_t max);
  std::optional<double> Number(std::string_view key, double min, double max);
  std::optional<bool> Flag(std::string_view key);
  // Text such as "500ms", "1.5s", "20m", "2h", in [min, max].
  std::optional<absl::Duration> Span(std::string_view key, absl::Duration min, absl::Duration max);
  // The index of the word found.
  std::optional<std::size_t> Choice(std::string_view key, std::initializer_list<std::string_view> words);
  std::optional<Scalar> AnyScalar(std::string_view key);
  std::vector<std::string> Texts(std::string_view key);
  std::optional<TableReader> Table(std::string_view key);
  std::vector<TableReader> Tables(std::string_view key);  // [[key]]
  // Every entry of this table, in the file's order; anything but text, whole numbers and booleans is a fault.
  std::vector<NamedScalar> Scalars();

  // Where `key` is, or else the table.
  int Line(std::string_view key) const;
  void Fault(std::string_view key, const std::string& message);
  void FaultAt(int line, const std::string& message);
  const std::string& what() const { return what_; }

  // A fault for each key that none of the calls above asked for. Comes last.
  void RefuseUnknown();

 private:
  const toml::node* Find(std::string_view key);
  void Expected(const toml::node& node, std::string_view key, const std::string& expected);
  std::optional<Scalar> ReadScalar(const toml::node& node, std::string_view key);

  const toml::table* table_;
  std::string what_;
  std::string file_;
  std::vector<std::string>* faults_;
  std::set<std::string, std::less<>> asked_;
};

// A parsed TOML text. Keeps the table that readers point into.
class TomlText {
 public:
  // nullopt with a fault, which names file and line, where the text is not TOML.
  static std::optional<TomlText> Parse(std::string_view text, const std::string& file,
                                       std::vector<std::string>& faults);
  TomlText(TomlText&&) noexcept;
  TomlText& operator=(TomlText&&) noexcept;
  ~TomlText();

  const toml::table& table() const { return *table_; }

 private:
  explicit TomlText(toml::table table);
  std::unique_ptr<toml::table> table_;
};

}  // namespace bayward
