-- One row per line of the gating chain: planned busy time within the window, and what of it buffers absorbed.
with

pieces as (
    select * from chain
    where plan = 'busy' and start_us < $to_us and end_us > $from_us
)

select
    line                                        as line,
    sum(least(end_us, $to_us) - greatest(start_us, $from_us))::bigint as us,
    sum(absorbed_us)::bigint                    as absorbed_us
from pieces
group by line
order by us desc, line
