// Reads one table of a declaration file key by key, remembers which keys were asked for, and collects every
// fault as "file:line: what was expected, what was found". Thread-compatible; lives no longer than its file
// and fault list.
#pragma once

#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "server/registry/declaration.h"
#include "server/registry/values.h"

namespace toml {
inline namespace v3 {
class table;
class node;
}  // namespace v3
}  // namespace toml

namespace bayward {

// " (did you mean \"name\"?)", or "" where no candidate is near.
std::string DidYouMean(std::string_view found, const std::vector<std::string>& candidates);

class DeclarationTable {
 public:
  // `what` names the table in messages: "[[site]]", "hours of fenwick-lane".
  DeclarationTable(const toml::table& table, std::string what, std::string file,
                   std::vector<std::string>& faults);

  const std::string& what() const { return what_; }
  void set_what(std::string what) { what_ = std::move(what); }

  // nullopt where the key is missing, or with a fault where its value is not of the format.
  template <class T>
  std::optional<T> Optional(std::string_view key, const TextFormat<T>& format) {
    const std::optional<Text> text = FindText(key, format.expected);
    return text ? Parse(*text, key, format) : std::nullopt;
  }
  // T() with a fault where there is no such value.
  template <class T>
  T Required(std::string_view key, const TextFormat<T>& format) {
    if (!Has(key)) Missing(key, format.expected);
    return Optional(key, format).value_or(T());
  }
  // An array; entries at fault are left out.
  template <class T>
  std::vector<T> List(std::string_view key, const TextFormat<T>& format) {
    std::vector<T> values;
    for (const Text& text : FindTexts(key, format.expected)) {
      if (std::optional<T> value = Parse(text, key, format)) values.push_back(*std::move(value));
    }
    return values;
  }
  std::optional<bool> Flag(std::string_view key);
  double Number(std::string_view key, double min, double max);  // required
  // [[key]], each called `what`.
  std::vector<DeclarationTable> Tables(std::string_view key, const std::string& what);
  // [key]
  std::optional<DeclarationTable> Table(std::string_view key, const std::string& what);

  bool Has(std::string_view key) const;
  bool IsEmptyArray(std::string_view key) const;
  int Line(std::string_view key) const;  // where the key is, or else the table
  std::string Where() const;             // "fleet.toml:12"
  void Fault(std::string_view key, const std::string& message);

  // A fault for each key that none of the calls above asked for, with the nearest known one. Comes last.
  void RefuseUnknown();

 private:
  struct Text {
    std::string text;
    int line;
  };

  const toml::node* Find(std::string_view key);
  std::optional<Text> FindText(std::string_view key, std::string_view expected);
  std::vector<Text> FindTexts(std::string_view key, std::string_view expected);
  void Missing(std::string_view key, std::string_view expected);
  void Expected(int line, std::string_view key, std::string_view expected, const std::string& found);

  template <class T>
  std::optional<T> Parse(const Text& text, std::string_view key, const TextFormat<T>& format) {
    std::optional<T> value = format.parse(text.text);
    if (!value) {
      Expected(text.line, key, format.expected,
               "\"" + text.text + "\"" + (format.words == nullptr ? "" : DidYouMean(text.text, format.words())));
    }
    return value;
  }

  const toml::table* table_;
  std::string what_;
  std::string file_;
  std::vector<std::string>* faults_;
  std::set<std::string, std::less<>> asked_;
};

// A parsed file. Keeps the table that readers point into.
class TomlFile {
 public:
  // nullopt with a fault where the text is not TOML.
  static std::optional<TomlFile> Parse(const DeclarationFile& file, std::vector<std::string>& faults);
  TomlFile(TomlFile&&) noexcept;
  ~TomlFile();

  DeclarationTable Root(std::vector<std::string>& faults) const;

 private:
  TomlFile(std::unique_ptr<toml::table> table, std::string name);
  std::unique_ptr<toml::table> table_;
  std::string name_;
};

}  // namespace bayward
