#include "agent/codebook/lines_book.h"

#include <utility>

#include "agent/codebook/book_reader.h"
#include "fmt/format.h"

namespace bayward {
namespace {

// RFC 6901: empty, or parts that each begin with '/', in which '~' is followed by 0 or 1.
bool IsPointer(std::string_view text) {
  if (text.empty() || text.front() != '/') return false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '~' && (i + 1 == text.size() || (text[i + 1] != '0' && text[i + 1] != '1'))) return false;
  }
  return true;
}

class Reader {
 public:
  Reader(TableReader& root, const Delays& delays, CodeBook& book)
      : root_(root), delays_(delays), book_(book) {}

  void Read() {
    ReadLines();
    ReadFaults();
    ReadCycle();
    ReadMode();
    ReadSnapshot();
    rules().unclassified = AddUnclassified(book_, delays_);
  }

 private:
  LinesBook& rules() { return book_.lines; }

  static std::string ReadPointer(TableReader& reader, std::string_view key) {
    const std::string pointer = reader.OptionalText(key).value_or("");
    if (pointer.empty() || IsPointer(pointer)) return pointer;
    reader.Fault(key, fmt::format("{}: expected a field as a JSON pointer such as \"/state\", found \"{}\"",
                                  key, pointer));
    return "";
  }

  static LineTest ReadTest(TableReader& reader, std::string_view key) {
    LineTest test;
    auto table = reader.Table(key);
    if (!table.has_value()) return test;
    for (NamedScalar& entry : table->Scalars()) {
      if (!IsPointer(entry.key)) {
        table->FaultAt(entry.line,
                       fmt::format("{}: expected a field as a JSON pointer such as \"/state\", found \"{}\"",
                                   key, entry.key));
        continue;
      }
      test.push_back({std::move(entry.key), std::move(entry.value)});
    }
    if (table->empty()) reader.Fault(key, fmt::format("{} names no field, so that no line can match", key));
    return test;
  }

  static LineTest RequireTest(TableReader& reader, std::string_view key) {
    if (!reader.Has(key))
      reader.Fault(key, fmt::format("{} has no \"{}\": which fields say it?", reader.what(), key));
    return ReadTest(reader, key);
  }

  void ReadLines() {
    auto reader = root_.Table("lines");
    if (!reader.has_value()) return;
    rules().machine = ReadPointer(*reader, "machine");
    rules().time = ReadPointer(*reader, "time");
    rules().code = ReadPointer(*reader, "code");
    rules().text = ReadPointer(*reader, "text");
    rules().raised = ReadTest(*reader, "raised");
    rules().cleared = ReadTest(*reader, "cleared");
    reader->RefuseUnknown();
  }

  void ReadFaults() {
    std::vector<TableReader> entries = root_.Tables("fault");
    if (!entries.empty() && (rules().raised.empty() || rules().cleared.empty())) {
      root_.Fault(
          "fault",
          "[[fault]] needs raised and cleared in [lines]: which fields say that a fault began, or ended?");
    }
    for (TableReader& reader : entries) {
      FaultMapping mapping = ReadFaultMapping(reader, delays_);
      const auto code = reader.AnyScalar("code");
      LineTest when = ReadTest(reader, "when");
      reader.RefuseUnknown();
      if (reader.Has("code") == reader.Has("when")) {
        reader.Fault("code", "[[fault]] needs either \"code\" or \"when\", exactly one of them");
        continue;
      }
      for (const LineTest& other : rules().faults) {
        if (other == when && !when.empty())
          reader.Fault("when", "another [[fault]] maps this already: keep one of them");
      }
      if (code.has_value()) MapCode(reader, *code, when, mapping);
      rules().faults.push_back(std::move(when));
      book_.faults.push_back(std::move(mapping));
    }
  }

  void MapCode(TableReader& reader, const Scalar& code, LineTest& when, FaultMapping& mapping) {
    if (rules().code.empty()) {
      reader.Fault("code", "code needs [lines] code: which field holds it?");
      return;
    }
    when = {{rules().code, code}};
    if (!rules().codes.emplace(ToText(code), rules().faults.size()).second) {
      reader.Fault("code",
                   fmt::format("another [[fault]] maps code {} already: keep one of them", ToText(code)));
    }
    if (mapping.raw_code.empty()) mapping.raw_code = ToText(code);
  }

  void ReadCycle() {
    auto reader = root_.Table("cycle");
    if (!reader.has_value()) return;
    LinesCycle cycle;
    cycle.started = RequireTest(*reader, "started");
    cycle.finished = RequireTest(*reader, "finished");
    cycle.aborted = ReadTest(*reader, "aborted");
    cycle.id = ReadPointer(*reader, "id");
    cycle.programme = ReadPointer(*reader, "programme");
    if (auto names = reader->Table("programmes")) {
      if (!reader->Has("programme"))
        reader->Fault("programmes", "programmes need \"programme\": the field with the value");
      for (const NamedScalar& entry : names->Scalars())
        cycle.programmes.emplace(entry.key, ToText(entry.value));
    }
    cycle.longest = ReadLongest(*reader);
    reader->RefuseUnknown();
    rules().cycle = std::move(cycle);
  }

  void ReadMode() {
    auto reader = root_.Table("mode");
    if (!reader.has_value()) return;
    rules().occupied = ReadTest(*reader, "occupied");
    for (TableReader& closed : reader->Tables("closed")) {
      LineTest when = RequireTest(closed, "when");
      const v1::ModeReason reason = ReadModeReason(closed);
      closed.RefuseUnknown();
      rules().closed.push_back({std::move(when), reason});
    }
    rules().in_service = RequireTest(*reader, "in_service");
    reader->RefuseUnknown();
  }

  void ReadSnapshot() {
    auto reader = root_.Table("snapshot");
    if (!reader.has_value()) return;
    LinesSnapshot snapshot;
    snapshot.when = RequireTest(*reader, "when");
    if (!reader->Has("faults"))
      reader->Fault("faults", "[snapshot] has no \"faults\": the field with the active codes");
    snapshot.faults = ReadPointer(*reader, "faults");
    reader->RefuseUnknown();
    if (rules().codes.size() != rules().faults.size()) {
      reader->Fault("when",
                    "a snapshot lists codes: with it every [[fault]] is named by \"code\", none by \"when\"");
    }
    rules().snapshot = std::move(snapshot);
  }

  TableReader& root_;
  const Delays& delays_;
  CodeBook& book_;
};

}  // namespace

void ReadLinesBook(TableReader& root, const Delays& delays, CodeBook& book) {
  Reader(root, delays, book).Read();
}

}  // namespace bayward
