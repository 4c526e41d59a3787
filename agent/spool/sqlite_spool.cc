#include "agent/spool/sqlite_spool.h"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <random>
#include <system_error>

#include "agent/spool/spool_file.h"
#include "agent/spool/spool_room.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr std::uint64_t kPurgedAtOnce = 8ULL << 20;

std::filesystem::path FileIn(const SqliteSpoolOptions& options) { return options.folder / "spool.db"; }

SpoolFileOptions FileOptions(const SqliteSpoolOptions& options, bool expected) {
  return {FileIn(options), options.bytes_max + RoomForTombstones(options.bytes_max), options.vfs, expected};
}

std::string NewEpochId() {
  std::random_device random;
  std::string id(16, '\0');
  for (std::size_t i = 0; i < id.size(); i += sizeof(std::uint32_t)) {
    const std::uint32_t word = random();
    std::memcpy(&id[i], &word, sizeof(word));
  }
  return id;
}

std::uint64_t SequenceIn(std::int64_t place) { return static_cast<std::uint64_t>(place & kSequenceMask); }

}  // namespace

SqliteSpool::SqliteSpool(SqliteSpoolOptions options)
    : options_(std::move(options)), reserve_(options_.folder / "spool.reserve", kReserveBytes) {}

SqliteSpool::~SqliteSpool() {
  if (lock_file_ >= 0) close(lock_file_);
}

absl::StatusOr<std::unique_ptr<SqliteSpool>> SqliteSpool::Open(SqliteSpoolOptions options) {
  std::unique_ptr<SqliteSpool> spool(new SqliteSpool(std::move(options)));
  BAYWARD_RETURN_IF_ERROR(spool->Lock());
  absl::MutexLock lock(&spool->mutex_);
  // The reserve is made after the first spool is: with it but without the spool, the spool was lost.
  const bool expected = spool->reserve_.exists();
  BAYWARD_ASSIGN_OR_RETURN(
      SpoolFile file, OpenSpoolFile(FileOptions(spool->options_, expected), spool->options_.clock->Now()));
  spool->db_ = std::move(file.db);
  spool->found_ = std::move(file.found);
  BAYWARD_RETURN_IF_ERROR(spool->Load());
  if (const absl::Status status = spool->reserve_.Take(); !status.ok()) spdlog::warn("{}", Message(status));
  absl::Status begun = spool->BeginEpochLocked();
  if (absl::IsResourceExhausted(begun) && spool->MakeRoomOnFullDisk().ok()) begun = spool->BeginEpochLocked();
  BAYWARD_RETURN_IF_ERROR(begun);
  return spool;
}

absl::Status SqliteSpool::Lock() {
  std::error_code error;
  std::filesystem::create_directories(options_.folder, error);
  if (error) {
    return FailedPrecondition("spool: {} cannot be made: {}", options_.folder.string(), error.message());
  }
  const std::filesystem::path path = options_.folder / "spool.lock";
  lock_file_ = open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600);
  if (lock_file_ < 0) return FailedPrecondition("spool: {}: {}", path.string(), std::strerror(errno));
  if (flock(lock_file_, LOCK_EX | LOCK_NB) == 0) return absl::OkStatus();
  return MakeStatus(absl::StatusCode::kAlreadyExists,
                    fmt::format("spool: another process has {}: give each agent a data_dir of its own",
                                options_.folder.string()));
}

absl::Status SqliteSpool::Load() {
  epochs_.clear();
  SqliteStatement rows(db_->handle(),
                       "SELECT number, id, predecessor, boot, acknowledged, told FROM epoch ORDER BY number");
  while (true) {
    BAYWARD_ASSIGN_OR_RETURN(const bool row, rows.Step());
    if (!row) break;
    Epoch epoch;
    epoch.number = rows.Integer(0);
    epoch.state = {std::string(rows.Blob(1)),
                   std::string(rows.Blob(2)),
                   std::string(rows.Blob(3)),
                   1,
                   0,
                   static_cast<std::uint64_t>(rows.Integer(4))};
    epoch.told = rows.Integer(5) != 0;
    epochs_[epoch.number] = std::move(epoch);
  }
  SqliteStatement first(db_->handle(),
                        "SELECT place FROM entry WHERE place BETWEEN ?1 AND ?2 ORDER BY place LIMIT 1");
  SqliteStatement final(
      db_->handle(),
      "SELECT place, last FROM entry WHERE place BETWEEN ?1 AND ?2 ORDER BY place DESC LIMIT 1");
  for (auto& [number, epoch] : epochs_) {
    first.Reset();
    first.Bind(1, Place(number, 0)).Bind(2, Place(number + 1, 0) - 1);
    final.Reset();
    final.Bind(1, Place(number, 0)).Bind(2, Place(number + 1, 0) - 1);
    BAYWARD_ASSIGN_OR_RETURN(const bool held, first.Step());
    BAYWARD_ASSIGN_OR_RETURN(const bool ended, final.Step());
    if (!held || !ended) continue;
    epoch.state.oldest = SequenceIn(first.Integer(0));
    epoch.state.last =
        final.IsNull(1) ? SequenceIn(final.Integer(0)) : static_cast<std::uint64_t>(final.Integer(1));
  }
  BAYWARD_ASSIGN_OR_RETURN(const std::int64_t dropped, db_->Integer("SELECT dropped FROM meta"));
  dropped_ = static_cast<std::uint64_t>(dropped);
  return BytesUsed().status();
}

absl::Status SqliteSpool::BeginEpoch() {
  absl::MutexLock lock(&mutex_);
  return BeginEpochLocked();
}

absl::Status SqliteSpool::BeginEpochLocked() {
  Epoch epoch;
  epoch.state.epoch = NewEpochId();
  epoch.state.boot = options_.boot;
  std::vector<std::int64_t> empty;
  for (const auto& [number, earlier] : epochs_) {
    epoch.number = number;
    const bool holds = earlier.state.oldest <= earlier.state.last;
    // One that recorded nothing and that no server heard of is no link of the chain.
    if (holds || earlier.told) {
      epoch.state.predecessor = earlier.state.epoch;
    } else if (epoch.state.predecessor.empty()) {
      epoch.state.predecessor = earlier.state.predecessor;
    }
    if (!holds) empty.push_back(number);
  }
  ++epoch.number;
  BAYWARD_RETURN_IF_ERROR(db_->Run("BEGIN IMMEDIATE"));
  SqliteStatement remove(db_->handle(), "DELETE FROM epoch WHERE number = ?1");
  SqliteStatement insert(db_->handle(),
                         "INSERT INTO epoch (number, id, predecessor, boot) VALUES (?1, ?2, ?3, ?4)");
  absl::Status status = absl::OkStatus();
  for (const std::int64_t number : empty) {
    if (status.ok()) status = remove.Bind(1, number).Run();
  }
  insert.Bind(1, epoch.number).BindBlob(2, epoch.state.epoch).BindBlob(3, epoch.state.predecessor);
  if (status.ok()) status = insert.BindBlob(4, epoch.state.boot).Run();
  if (status.ok()) status = db_->Run("COMMIT");
  if (!status.ok()) {
    db_->Rollback();
    return status;
  }
  for (const std::int64_t number : empty) epochs_.erase(number);
  epochs_[epoch.number] = std::move(epoch);
  ++generation_;
  return absl::OkStatus();
}

absl::StatusOr<std::vector<SpoolEntry>> SqliteSpool::Read(const std::string& epoch, std::uint64_t after,
                                                          std::size_t events_max, std::size_t bytes_max) {
  absl::MutexLock lock(&mutex_);
  std::vector<SpoolEntry> entries;
  const Epoch* found = Find(epoch);
  if (found == nullptr || after >= found->state.last) return entries;
  // A tombstone that covers after + 1 begins earlier: its rest stands for what is still missing.
  SqliteStatement rows(
      db_->handle(),
      "SELECT place, last, event FROM entry WHERE place BETWEEN coalesce((SELECT place FROM entry "
      "WHERE place BETWEEN ?1 AND ?2 ORDER BY place DESC LIMIT 1), ?2) AND ?3 ORDER BY place");
  rows.Bind(1, Place(found->number, 0)).Bind(2, Place(found->number, after));
  rows.Bind(3, Place(found->number + 1, 0) - 1);
  std::size_t bytes = 0;
  while (entries.size() < events_max) {
    BAYWARD_ASSIGN_OR_RETURN(const bool row, rows.Step());
    if (!row) break;
    SpoolEntry entry;
    entry.sequence = SequenceIn(rows.Integer(0));
    entry.last_sequence = rows.IsNull(1) ? entry.sequence : static_cast<std::uint64_t>(rows.Integer(1));
    if (entry.last_sequence <= after) continue;
    entry.sequence = std::max(entry.sequence, after + 1);
    entry.event = std::string(rows.Blob(2));
    bytes += entry.event.size();
    if (!entries.empty() && bytes > bytes_max) break;
    entries.push_back(std::move(entry));
  }
  return entries;
}

std::vector<SpoolEpoch> SqliteSpool::Held() const {
  absl::MutexLock lock(&mutex_);
  std::vector<SpoolEpoch> held;
  for (const auto& [number, epoch] : epochs_) {
    const bool own = number == epochs_.rbegin()->first;
    if (own || epoch.state.oldest <= epoch.state.last) held.push_back(epoch.state);
  }
  return held;
}

SpoolCounts SqliteSpool::Counts() const {
  absl::MutexLock lock(&mutex_);
  SpoolCounts counts;
  for (const auto& [number, epoch] : epochs_) {
    const std::uint64_t have = std::max(epoch.state.acknowledged, epoch.state.oldest - 1);
    if (epoch.state.last > have) counts.unacknowledged += epoch.state.last - have;
  }
  counts.bytes = bytes_used_;
  counts.bytes_max = options_.bytes_max;
  counts.dropped = dropped_;
  return counts;
}

SpoolPosition SqliteSpool::Last() const {
  absl::MutexLock lock(&mutex_);
  return {Own().state.epoch, Own().state.last};
}

std::uint64_t SqliteSpool::generation() const {
  absl::MutexLock lock(&mutex_);
  return generation_;
}

void SqliteSpool::Resume(const std::string& epoch, std::uint64_t sequence) {
  absl::MutexLock lock(&mutex_);
  Epoch* found = Find(epoch);
  if (found == nullptr) return;
  found->state.acknowledged = std::min(sequence, found->state.last);
  found->told = true;
  found->dirty = true;
}

void SqliteSpool::Acknowledge(const std::string& epoch, std::uint64_t through) {
  absl::MutexLock lock(&mutex_);
  Epoch* found = Find(epoch);
  if (found == nullptr || through <= found->state.acknowledged) return;
  found->state.acknowledged = std::min(through, found->state.last);
  found->dirty = true;
}

absl::Status SqliteSpool::Forget(const std::string& epoch) {
  absl::MutexLock lock(&mutex_);
  Epoch* found = Find(epoch);
  if (found == nullptr) return absl::OkStatus();
  if (found == &Own())
    return FailedPrecondition("spool: the epoch is this process's own: begin another first");
  const std::int64_t number = found->number;
  SqliteStatement entries(db_->handle(), "DELETE FROM entry WHERE place BETWEEN ?1 AND ?2");
  SqliteStatement row(db_->handle(), "DELETE FROM epoch WHERE number = ?1");
  BAYWARD_RETURN_IF_ERROR(db_->Run("BEGIN IMMEDIATE"));
  absl::Status status = entries.Bind(1, Place(number, 0)).Bind(2, Place(number + 1, 0) - 1).Run();
  if (status.ok()) status = row.Bind(1, number).Run();
  if (status.ok()) status = db_->Run("COMMIT");
  if (!status.ok()) {
    db_->Rollback();
    return status;
  }
  epochs_.erase(number);
  return BytesUsed().status();
}

absl::Status SqliteSpool::Sync(const AliveUntil& alive) {
  absl::MutexLock lock(&mutex_);
  const auto write = [&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) -> absl::Status {
    BAYWARD_RETURN_IF_ERROR(db_->Run("BEGIN IMMEDIATE"));
    BAYWARD_RETURN_IF_ERROR(WriteAlive(alive));
    BAYWARD_RETURN_IF_ERROR(WriteEpochs());
    return db_->Run("COMMIT");
  };
  if (absl::Status status = write(); !status.ok()) {
    db_->Rollback();
    return status;
  }
  EpochsWritten();
  const std::int64_t oldest_s = absl::ToUnixSeconds(options_.clock->Now() - options_.age_max);
  BAYWARD_RETURN_IF_ERROR(Purge(kPurgedAtOnce, oldest_s).status());
  BAYWARD_RETURN_IF_ERROR(BytesUsed().status());
  if (bytes_used_ < options_.bytes_max) return reserve_.Take();
  return absl::OkStatus();
}

absl::StatusOr<SpoolFound> SqliteSpool::SetAside() {
  absl::MutexLock lock(&mutex_);
  db_.reset();
  BAYWARD_ASSIGN_OR_RETURN(
      SpoolFile file,
      ReplaceSpoolFile(FileOptions(options_, false), "found while it was used", options_.clock->Now()));
  db_ = std::move(file.db);
  BAYWARD_RETURN_IF_ERROR(Load());
  BAYWARD_RETURN_IF_ERROR(BeginEpochLocked());
  return file.found;
}

absl::StatusOr<std::string> SqliteSpool::Mark(const std::string& source) {
  absl::MutexLock lock(&mutex_);
  SqliteStatement statement(db_->handle(), "SELECT mark FROM mark WHERE source = ?1");
  statement.BindText(1, source);
  BAYWARD_ASSIGN_OR_RETURN(const bool row, statement.Step());
  return row ? std::string(statement.Blob(0)) : std::string();
}

absl::StatusOr<std::uint64_t> SqliteSpool::BytesUsed() {
  BAYWARD_ASSIGN_OR_RETURN(const std::int64_t pages, db_->Integer("PRAGMA page_count"));
  BAYWARD_ASSIGN_OR_RETURN(const std::int64_t free, db_->Integer("PRAGMA freelist_count"));
  bytes_used_ = static_cast<std::uint64_t>(pages - free) * 4096;
  return bytes_used_;
}

bool SqliteSpool::Acknowledged(std::int64_t place, std::uint64_t last) const {
  const auto found = epochs_.find(place >> kSequenceBits);
  return found != epochs_.end() && last <= found->second.state.acknowledged;
}

SqliteSpool::Epoch* SqliteSpool::Find(const std::string& epoch) {
  for (auto& [number, candidate] : epochs_) {
    if (candidate.state.epoch == epoch) return &candidate;
  }
  return nullptr;
}

}  // namespace bayward
